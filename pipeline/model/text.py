"""Small words for the lines that say what was done."""


def counted(number: int, noun: str) -> str:
    """Return "1 chip", "2 chips", "1,000 patches"."""
    plural = "es" if noun.endswith("ch") else "s"
    return f"{number:,} {noun}{'' if number == 1 else plural}"
