"""From TOML text to the values of ``model.manifest``: read, locate, validate, decode, check references.

``load.py`` is the way in; everything else works on one file at a time and touches no disk, but for the paths that
``references.py`` and ``sources.py`` look up.
"""
