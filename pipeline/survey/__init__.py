"""What repeats on a card that somebody made by hand, as the keys of a board's manifest, each with its evidence."""
