"""Valid TOML values become the values of ``model.manifest``."""
