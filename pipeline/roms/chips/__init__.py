"""PURE: chips as parts with known sizes, and dumps that are another form of one."""
