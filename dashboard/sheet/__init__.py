"""Data sheet: its route, and what the page shows of specimens.

routes  the route that the page reads from: the specimens of the folder, and one or two of them
replay_links  addresses of Replay at what a figure stands on
bar_place  where a bar hangs, in per cent of a value
compared  joints beside each other: pair by pair, and quantity by quantity on one scale
view    a sheet as the page draws it: texts, and places along the plumb line
"""
