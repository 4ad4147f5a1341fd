"""Pure: the bench file and its layouts, validated.

value           one value in a frame: its position in the bits, what a count of it means
code_names      the keys that name codes in a settings file
scaling         what one count is in SI units: unit, gear, side, zero, shares of rated
counts          the values that a channel can have
identifiers     frame identifiers, with the node in them
frame_checks    what a frame says of itself: its checksum and its counter
codes           codes in words: enumerations with masks, bit flags
layout          how a frame lays its values out in bytes (TOML -> model)
claims          what a joint's maker claims: quantities, units, conditions, digits
thermal_settings  a fitted model of a joint's heat
thermal_table   that model put into the text of a bench file
instrument_clock  by how much an instrument's times were moved
joint_settings  the tables of the bench file that describe a joint
specimens       labels and serials that tell the joints of a bench apart
expand          a layout for one joint: mapped frames filled, values overridden
frame_match     what a frame must be to be of one kind
stop_frame      the frame that asks a joint to stop, and how it is seen that it does
table_settings  the tables of a bench file whose readings come from a table of values
bench_settings  buses, joints and sensors of a bench file, before its layouts
bench           the bench file: what is on the bench, with its layouts

Kept together: the tables of two files, one module each, and what holds them against each other.
"""
