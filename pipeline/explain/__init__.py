"""Why a build does what it does: before it, from the manifests; after it, from the log of what was done."""
