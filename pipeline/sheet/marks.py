"""Small pieces of HTML that a sheet has by the thousand; what a person wrote is escaped, as in every template."""

from __future__ import annotations

from markupsafe import Markup, escape

from pipeline.sheet.strip import StripBlock


def text(value: object) -> Markup:
    """Return what a person wrote as a text of its own, so that marks of writing direction in it reach no further."""
    return Markup(f"<bdi>{escape(value)}</bdi>")  # noqa: S704  # what is put in is escaped


def path(value: str) -> Markup:
    """Return a path, which may go on in the next line after each "/"."""
    return Markup(f"<bdi>{'/<wbr>'.join(map(escape, value.split('/')))}</bdi>")  # noqa: S704  # as above


def block(one: StripBlock) -> Markup:
    """Return a block of a strip, with its label in its middle; kinds are words of this program."""
    cut = " cut" if one.width > 1.2 else ""
    drawn = f'<rect class="b {one.kind}{cut}" x="{one.x}%" width="{one.width}%" height="100%"/>'
    if one.label:
        middle = round(one.x + one.width / 2, 3)
        drawn += f'<text class="on {one.kind}" x="{middle}%" y="50%">{escape(one.label)}</text>'
    return Markup(drawn)  # noqa: S704  # as above
