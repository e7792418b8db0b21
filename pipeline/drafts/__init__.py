"""What a person starts from: a folder of their own that builds at once, and drafts of single manifests."""
