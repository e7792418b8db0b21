"""Which FPGA a board has, by what the bitstreams on its card are for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from pipeline.bitstreams.bitstream import SIZE_CLASS, Bitstream
from pipeline.model.text import listed
from pipeline.survey.values import BLANK, FOUND, SUGGESTED, Habit, SurveyedFile, names, share

PART, PACKAGE = ("fpga", "part"), ("fpga", "package")

PRINTED = "Compare it with what is printed on the FPGA."


def fpga_habits(files: Sequence[SurveyedFile]) -> Iterator[Habit]:
    """Yield the habits on the FPGA; ``files``: the bitstreams of the cores, else all there are."""
    bitstreams = [(file, file.bitstream) for file in files if file.bitstream]
    faulty = [file.path for file, bitstream in bitstreams if _is_faulty(bitstream)]
    usable = [bitstream for _, bitstream in bitstreams if not _is_faulty(bitstream) and bitstream.devices]
    notes = (
        [f"Cut short, damaged or in contradiction to themselves, and not counted: {names(faulty)}."] if faulty else []
    )
    counts = Counter(bitstream.devices for bitstream in usable)
    common = [device for device in next(iter(counts), ()) if all(device in devices for devices in counts)]
    total = len(bitstreams)
    if len(common) == 1 and all(bitstream.precision != SIZE_CLASS for bitstream in usable):
        evidence = f"{share(len(usable), total, 'bitstream', 'is', f'for {common[0]}')} {PRINTED}"
        yield Habit(way=PART, standing=FOUND, value=common[0], evidence=(evidence, *notes))
    elif not usable:
        yield Habit(way=PART, standing=BLANK, evidence=("No bitstream says for which FPGA it is.", *notes))
    else:
        lines = [share(count, total, "bitstream", "may be", f"for {listed(devices, 'or')}")
                 for devices, count in counts.most_common(4)]  # fmt: skip
        lines += ["No more than the size of the files says so."] if usable[0].precision == SIZE_CLASS else []
        yield Habit(way=PART, standing=BLANK, evidence=(*lines, *notes))
        for device in (common or list(dict.fromkeys(device for devices in counts for device in devices)))[:4]:
            yield Habit(way=PART, standing=SUGGESTED, value=device)
    yield from _package(usable, total)


def _package(usable: Sequence[Bitstream], total: int) -> Iterator[Habit]:
    packages = Counter(bitstream.package for bitstream in usable if bitstream.package)
    for package, count in packages.most_common(4):
        standing = FOUND if len(packages) == 1 else SUGGESTED
        evidence = share(count, total, "bitstream", "states", f"the package {package}")
        yield Habit(way=PACKAGE, standing=standing, value=package, evidence=(evidence,))


def _is_faulty(bitstream: Bitstream) -> bool:
    return bool(bitstream.truncated or bitstream.integrity.damage or bitstream.contradictory)
