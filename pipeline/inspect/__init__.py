"""Images, disks and folders that exist already: compared, verified, examined, adopted."""
