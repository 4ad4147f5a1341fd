"""Takes in: from frames on a bus to a recording folder. Knows nothing of replay or dashboard.

    errors          the error tree; every message that a user reads starts there
    settings_file   TOML -> checked model, with errors that name file, key, found and expected
    bench           what is on the bench: bus, joints, the layouts that they use
    joint/          pure: what a joint says and what it means
    limits/         pure: when to speak up
    bus/            I/O: python-can
    store/          I/O: the recording folder; the only code that knows its files
    simulate/       joints that do not exist, for demos and tests
    record          the loop: bus -> decode -> limits -> store

Imports run downwards only: record -> bus, store, limits -> joint; errors and settings_file lie
under all of them.
"""
