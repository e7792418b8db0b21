"""Whether each core and title of a card can be seen and played where it is used; pure."""
