"""Sets of dumps: which dump belongs in which socket of a layout, and which set is a variant of another."""
