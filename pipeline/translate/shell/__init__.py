"""POSIX shell scripts, followed as IEEE Std 1003.1-2017 says."""
