"""Signing a file and checking the signature, with OpenSSH's ``ssh-keygen``; keys stay with it and its agent.

Source: ssh-keygen(1), "-Y sign", "-Y verify", "-Y check-novalidate" and ALLOWED SIGNERS (OpenSSH 8.1 and later).
"""

from __future__ import annotations

import base64
import re
import subprocess
from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import CheckError, MachineError, ManifestError
from pipeline.model.text import shown

NAMESPACE = "file"
"""What the signature is for; the word ssh-keygen(1) gives for files."""
ALLOWED = "allowed_signers"


def sign(file: Path, key: Path) -> None:
    """Write ``FILE.sig``; ``key`` is a private key, or the public one of a key that the agent holds."""
    done = _run("-Y", "sign", "-f", str(key), "-n", NAMESPACE, str(file))
    if done.returncode:
        raise MachineError.one(
            f"ssh-keygen cannot sign with it: {_said(done)}", "ssh-add it, or name another", file=str(key)
        )


def allowed_line(key: Path, who: str) -> str:
    """Return the line by which others can check signatures of a key: who, for what, and the public key.

    Raises ManifestError for a name that would be read as several or as a pattern, MachineError without a public key.
    """
    if not re.fullmatch(r"[\w.@+-]+", who):
        what = f'found "{who}", expected letters, digits, ".", "@", "+", "_" and "-"'
        raise ManifestError.one(what, "for example --who name@example.org", key="--who")
    public = key if key.suffix == ".pub" else key.parent / f"{key.name}.pub"
    try:
        kind, data, *_ = public.read_text(encoding="utf-8").split()
    except (FileNotFoundError, ValueError):
        raise MachineError.one("is not a public key; expected one beside the private key", file=shown(public)) from None
    return f'{who} namespaces="{NAMESPACE}" {kind} {data}\n'


def signer(file: Path, signature: Path, allowed: Path) -> str:
    """Return who of the ``allowed`` signers signed the file; raises CheckError when none of them did."""
    hint = "get the folder again, and compare the key with the publisher's by another way"
    if not allowed.is_file():
        raise MachineError.one("there is no such list of allowed signers", "correct the path", file=shown(allowed))
    found = _run("-Y", "find-principals", "-s", str(signature), "-f", str(allowed))
    if found.returncode:
        raise CheckError.one(f"was made by no signer in {shown(allowed)}", hint, file=signature.name)
    who = found.stdout.splitlines()[0]
    done = _run(
        "-Y", "verify", "-f", str(allowed), "-I", who, "-n", NAMESPACE, "-s", str(signature), data=file.read_bytes()
    )
    if done.returncode:
        raise CheckError.one(f"is not of this {file.name}: {_said(done)}", hint, file=signature.name)
    return who


def check_form(signature: Path) -> None:
    """Raise CheckError unless every byte of a signature's file counts: ssh-keygen overlooks some around the armour.

    Source: OpenSSH PROTOCOL.sshsig, "Armored format"; RFC 4648, section 3.5 (one encoding for one value).
    """
    data = signature.read_bytes()
    match = re.fullmatch(rb"-----BEGIN SSH SIGNATURE-----\n((?:[A-Za-z0-9+/=]+\n)+)-----END SSH SIGNATURE-----\n", data)
    try:
        encoded = match[1].replace(b"\n", b"") if match else b"?"
        fine = base64.b64encode(base64.b64decode(encoded, validate=True)) == encoded
    except ValueError:
        fine = False
    if not fine:
        raise CheckError.one("is not in the form ssh-keygen writes", "get the folder again", file=signature.name)


def fingerprint(file: Path, signature: Path) -> str:
    """Return which key signed the file ("ED25519 key SHA256:..."), whoever has it; raises CheckError if it is wrong."""
    done = _run("-Y", "check-novalidate", "-n", NAMESPACE, "-s", str(signature), data=file.read_bytes())
    if done.returncode:
        raise CheckError.one(f"is not of this {file.name}: {_said(done)}", "get the folder again", file=signature.name)
    return done.stdout.strip().rpartition(" with ")[2]


def _run(*arguments: str, data: bytes | None = None) -> subprocess.CompletedProcess[str]:
    words: Sequence[str] = ("ssh-keygen", *arguments)
    text = None if data is None else data.decode("utf-8", "surrogateescape")
    try:
        return subprocess.run(words, input=text, capture_output=True, text=True, check=False, errors="surrogateescape")
    except FileNotFoundError:
        raise MachineError.one("ssh-keygen is not installed; it signs and checks", "install OpenSSH") from None


def _said(done: subprocess.CompletedProcess[str]) -> str:
    lines = (done.stderr or done.stdout).strip().splitlines()
    return lines[-1].strip() if lines else "it does not say why"
