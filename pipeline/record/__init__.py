"""The checksum manifest of a finished card, and how it is shown; pure."""
