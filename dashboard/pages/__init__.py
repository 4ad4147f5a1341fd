"""The pages as Dash components, one file each: the skeletons that the browser's code fills.

shell       the head that all pages share, and which page is at which address
row_choice  which rows a figure has, and the list in which they are chosen
attributes  HTML attributes with a dash in their names
live        watch a joint through a long test
replay      find in a recording when it went wrong, and which limit caught it
limits      change a limit and see at once what it would have raised
heat        what a joint bears, for how long, and why one may believe it
measure     measurements on the bench, step by step, with their uncertainty
found_layout  the layout of an unknown drive, proposed from its traffic
sheet       what a joint's maker says, what was measured, and how sure that is
campaign    what an endurance campaign has come to: did anything change
bus         who sends on the buses, how often, how loaded they are, and what failed
"""
