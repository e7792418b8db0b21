"""Windows batch scripts, followed as the documents of cmd say."""
