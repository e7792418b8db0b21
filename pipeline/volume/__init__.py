"""Reads any FAT volume, whoever made it and however damaged, and tells what is on it and what is wrong with it."""
