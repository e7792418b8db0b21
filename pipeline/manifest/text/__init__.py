"""TOML text: read, and the position of each key."""
