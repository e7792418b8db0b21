"""Real cards in a reader: which there are, whether one may be written, writing it and reading it back."""
