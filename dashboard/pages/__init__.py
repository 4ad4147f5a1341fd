"""The pages, one file each: a layout and a few thin callbacks.

frame    the head that all pages share, and which page stands at which address
live     watch a joint through a long test
replay   find in a recording when it went wrong, and which limit caught it
bus      who talks on the buses, how often, how loaded they are, and what failed
"""
