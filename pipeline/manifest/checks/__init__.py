"""What no schema can say: paths, references, and what a manifest says of itself."""
