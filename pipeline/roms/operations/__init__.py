"""PURE: every operation on chip contents, in one table."""
