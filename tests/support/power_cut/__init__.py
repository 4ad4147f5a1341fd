"""A recorder in a virtual machine whose power is cut; by hand, and `tests/logger/recording`.

losing_disk      a disk that keeps what it was told to flush, and of the rest what it likes
machine          a stock Debian kernel in qemu, with systemd and a vcan; killed like a power cut
joint            runs in the machine: the joint on vcan0, which tells every cycle of its own
story            the campaign of the guide through several cuts, and the disk after each
judge            what is left, held against what the joint told

    python -m tests.support.power_cut CACHE [--seed N]
"""
