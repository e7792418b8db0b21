"""Changes to a manifest's text that leave every other byte as it is."""
