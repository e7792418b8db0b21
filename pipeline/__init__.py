"""Cardkiln: from manifests and source files to proven SD-card images.

The flow, one folder a step:

``manifest`` reads and checks the declarations; ``sources`` finds each wanted content; ``roms`` arranges chips
into ROM files; ``configs`` writes and edits config files; ``card`` decides what goes where and keeps the rules;
``image`` writes the plan and reads it back with other code; ``record`` says what was proven. ``fat`` knows the
format, ``model`` holds the values that travel, ``errors`` the problems. ``stages`` joins the parts, ``engine``
runs them through doit.
"""
