"""The layout of an unknown drive, proposed from its traffic and four simple actions. Pure.

traffic      what the finder is given: frames, marks of the steps, typed numbers
bits         bits of payloads as columns, and fields of bits as numbers
checksum     the byte that follows from the others: XOR, sum, CRC-8
counter      fields that go on by the same step with every frame
multiplexer  the field that tells the kinds of frames of one identifier apart
"""
