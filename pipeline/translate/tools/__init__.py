"""What programs do with files, each followed in a function."""
