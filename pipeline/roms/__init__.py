"""Pure: chip contents and the steps of a manifest give the ROM file a core loads.

``table`` holds every operation once, with its arguments, its sizes and its bytes; ``bind`` reads a manifest's pieces
into a tree of them; ``assemble`` checks, describes and builds ROM files.
"""
