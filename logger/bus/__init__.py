"""I/O: python-can.

clock          one time axis for a recording, whatever the wall clock does
opening        how a bus is opened, and how its frames are taken in batches
quirks         what python-can's interfaces do that a recorder has to know
taken          what one look at a bus brought (pure)
serial_text    lines of text from a serial port, many at a time
serial_protocol  frames of adapters that speak the serial-line CAN protocol
line_pattern   the pattern of a line that a microcontroller prints (pure)
line_reader    a microcontroller as the adapter: a bus of python-can
board_clock    a board's own time on this machine's clock (pure)
kernel_frames  frames from a SocketCAN socket, many at a time (recvmmsg)
source         receive in batches, notice a loss, come back
merge          several buses into one run of frames in order of time (pure)
traffic        what went over a bus, second by second (pure)
request        asking joints that only answer when asked (off unless allowed)
share          how much of a bus asking may take (pure)
echoes         whether a frame that looks like our request is an answer (pure)
answers        which requests were answered, which joint answers no more (pure)
stop           stop frames, ordered by one thread and sent by another (off unless asked for)
frame_length   how many bits a frame takes on the wire: the bus load (pure)
cadence        who talks, with period and jitter, and what is repeated without a pause (pure)
error_classes  what error frames say, in words (pure)
figures        what a bus said over some seconds, in figures (pure)
hints          what such figures look like, in sentences (pure)
live_hints     such sentences while recording, each told once (pure)
health         is a bus healthy: figures and hints (pure)
listen         listens to a bench's buses for some seconds; sends nothing
"""
