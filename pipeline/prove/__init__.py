"""A second build under other conditions, compared with the first."""
