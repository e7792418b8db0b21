"""Published cards: made from a finished build, and received from somebody else."""
