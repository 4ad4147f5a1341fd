"""I/O: python-can. Nothing here computes more than it needs to receive or to send.

opening        opens a bus and chooses how its frames are read in batches
reader         what one read of a bus returns, whatever reads it
open_buses     the buses of a recording, listened to before the first request
source         receives in batches, notices a loss, reconnects
standstill     spans in which a bus should have been read and was not
merger         several buses into one stream of frames in order of time
clock          one time axis for a recording, whatever the wall clock does
board_clock    a board's own time on this machine's clock
listen         listens to a bench's buses for some seconds; sends nothing
kernel_frames  frames from a SocketCAN socket, many at a time (recvmmsg)
line_reader    a microcontroller that prints its frames: a bus of python-can
line_pattern   the pattern of a line that a microcontroller prints
serial_text    lines of text from a serial port, many at a time
serial_protocol  frames of adapters that speak the serial-line CAN protocol
serial_output  frames to such an adapter, those that are due together in one write
python_can_workarounds  what python-can's interfaces do that a recorder has to know
poller         requests to joints that report only on request (off unless allowed)
rate_limiter   the share of a bus that requests may take
echo_guard     whether a frame that looks like our request is its response
stop_sender    stop frames, ordered by one thread and sent by another (off unless configured)

Kept together: these are the steps of one receiving thread, which owns its adapter; half of them
are one small class each, and none is used without the rest.
"""
