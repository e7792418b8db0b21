"""Cardkiln: from manifests and source files to proven SD-card images.

What decides is pure: ``fat``, ``roms``, ``bitstreams``, ``configs``, ``card``, ``record``, ``stations``, ``planner``,
``sheet`` and ``volume`` turn values into values. What reads and writes: ``manifest``, ``sources``, ``image``,
``publish``, ``store`` and ``device``. ``model`` holds the values that travel between them, ``errors`` the problems.

``workspace`` and ``build`` join them into the stages of a build; ``inspect``, ``explain``, ``distribute``, ``prove``
and ``media`` are what commands do with one; ``engine``, ``tasks`` and ``commands`` are how doit reaches them all.
"""
