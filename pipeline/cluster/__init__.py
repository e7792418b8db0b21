"""Cards built on the machines of a cluster, one task of its scheduler each, and checked here before they count."""
