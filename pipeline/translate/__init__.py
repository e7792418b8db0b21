"""Scripts that arrange files, worked out without running them: which bytes of which file end up where."""
