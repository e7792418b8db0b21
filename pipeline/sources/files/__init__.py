"""Folders, archives and files: listed, hashed, read, and remembered in a database."""
