"""One set of inputs and its build folder: paths, stamps, progress, crash recovery, the check that all is up to date."""
