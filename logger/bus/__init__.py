"""I/O: python-can.

clock          one time axis for a recording, whatever the wall clock does
source         open, receive in batches, notice a loss, come back
request        asking joints that only answer when asked (off unless allowed)
frame_length   how many bits a frame takes on the wire: the bus load (pure)
"""
