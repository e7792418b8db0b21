"""Which source file is which wanted content, and what comes near to it."""
