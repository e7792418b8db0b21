"""How doit runs the stages: the run command, its lock, what is printed, and exit codes."""
