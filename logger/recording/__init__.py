"""The live loop: from the receiving threads to the recording folder.

recorder          opens the buses, runs the loop, ends it in order
frame_queue       from the receiving threads to the writer: a bounded queue
pipeline          frames in, rows and events out; shared by bus, log and simulation
per_second        what is computed live every second: RMS torque, frames per second
notice_throttle   text events of joints, limited to what a person can read
polling           which requests were answered, and the events about it
stop_supervisor   when stop frames are ordered, and whether the joint stopped
limits_watcher    a limits file that may change while it is in force
resume            what a recording starts from when it is resumed
thermal_resume    thermal images when a recording is resumed, from the stored rows
"""
