"""Data sheet: its route, and what the page shows of specimens.

routes  the route that the page reads from: the specimens of the folder, and one or two of them
replay_links  addresses of Replay at what a figure stands on
view    a sheet and a comparison as the page draws them: texts, and shares of a line
"""
