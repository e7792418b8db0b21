"""Record and image -> the folder that is handed over, and the other way round; the stages join it with the build."""
