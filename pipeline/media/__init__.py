"""Real cards: listed, written, updated, and what the user made on them kept."""
