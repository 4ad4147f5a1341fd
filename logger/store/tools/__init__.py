"""Whole recordings: cut, pack, unpack, add a sensor.

cut          a span of a recording as a recording of its own
cut_events   the events of a cut, with those of alerts that are active where it begins
pack         a finished recording as one file to send
unpack       a recording from such a file: whole and verified, or not at all
add_sensor   a sensor added to a finished recording by its time
hand_readings  readings typed by hand, as a sensor
sensor_clock  the times of such a sensor moved as its clock was off, and moved back
"""
