"""Commands of doit that are our own, one file each: read the arguments, call the parts, show the result."""
