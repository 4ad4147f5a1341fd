"""Tools to write a layout.

dbc_import      a layout from a bus description file
channel_guess   which channel a signal of such a file is, by its unit and name
channel_places  one channel a signal: a place of its own where several would share one
preview         a layout tried on real traffic while it is being edited
guided_steps    the steps by which a layout is found, done live
traffic_proposal  a layout proposed of recorded traffic
proposal_file   the proposal as a file, decided value by value
decided_layout  the layout that it makes then
proposed_checks  checksums and counters that were found, as a layout has them
bit_map         what each bit of a kind of frame is taken for
proposal_words  why a value is taken for what it is, and what stays undecided
"""
