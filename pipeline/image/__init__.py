"""The image: a plan written to a file, and read back by code that shares nothing with the writer."""
