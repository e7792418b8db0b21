"""Small words for the lines that say what was done."""


def counted(number: int, noun: str) -> str:
    """Return "1 chip", "2 chips", "1,000 chips"."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"
