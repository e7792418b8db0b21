"""The fewest cards that hold what is wanted, and why there are no fewer: values in, values out."""
