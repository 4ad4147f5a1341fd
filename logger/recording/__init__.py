"""The live loop: from the receiving threads to the recording folder.

record_settings    what is recorded, and where to
kept_models        models of heat from earlier recordings, for joints without one
recorder           opens buses and recording, runs the threads, ends them in order
frame_queue        a bounded queue from the receiving threads to the writer
thread_priority    a recorder that runs ahead of other programs
writer             the writing thread: one turn of the loop for each batch
pipeline           frames in, rows and alerts out: decode, evaluate, store
event_log          numbers events, writes them, passes them on
per_second         what is computed live every second: RMS torque, frames per second
derived_rows       what is computed of each joint live, as rows of its streams
campaign_rows      a plan that is followed: cycles, stages and progress, as rows
campaign_words     what is told of it, in sentences
campaign_start     where it begins, or goes on
campaign_resume    the same after a restart, read back from the recording
reading_events     events about readings that surprise: out of range, turns lost or found
frame_keeping      raw frames older than a plan keeps them are let go
plan_disk          whether the disk lasts for a whole plan
recorder_health    the recorder's and its buses' health, once a second
fault_report       when damaged and missing frames become an event
garbled_report     when lines that could not be read become an event
notice_throttle    text events of joints, limited to what a person can read
position_segments  where a position begins a new segment
polling            which requests were answered, and the events about it
stop_supervisor    when stop frames are ordered, and whether the joint stopped
housekeeping       requests from the inbox, limits files that were saved meanwhile
limits_watcher     a limits file that may change while it is in force
pause              for how long no recorder ran before a resume, by the clocks that know it
resume             the state from which a recording is resumed
thermal_resume     the memory of limits at a resume, rebuilt from the stored rows

`pipeline` and `event_log` are the same for a bus, a log and a simulation; the rest is for a bus.

Kept together: each is one step of the same loop, and `writer` calls nearly all of them.
"""
