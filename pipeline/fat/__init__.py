"""What the FAT file system says, as pure functions: geometry, names, directory entries, boot sectors, tables."""
