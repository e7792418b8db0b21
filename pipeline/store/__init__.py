"""Finished ROM files in a place that several machines share: a folder, or any object store that fsspec reaches."""
