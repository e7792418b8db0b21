"""Pure: a config file is written, or one value in an existing one is changed and nothing else."""
