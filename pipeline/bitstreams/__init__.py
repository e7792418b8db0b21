"""Pure: which FPGA a bitstream is for, and whether that is the board's.

``identify`` reads a file's own words (one module a format), ``devices`` holds the published device ids (one table a
maker), ``parts`` reads part names as they are printed, and ``verdict`` compares the two. What a header says of its
builder (names, folders, dates, user ids) is read past and never kept.
"""
