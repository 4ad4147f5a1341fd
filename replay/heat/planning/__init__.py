"""What a fitted joint would do: under a planned motion, with limits that protect it.

motion           a motion as steps of load and speed, stretched and multiplied
motion_table     a motion from the text of a CSV table
motion_faults    why nothing can be told of a motion
motion_source    a motion from a CSV file or from a span of a recording
planned_heat     a motion on a fitted joint: hottest point, margin, for ever or until when
planned_words    the same in words
image_limits     thermal images below whose levels a node stays below its limit
proposed_limits  these as limits, and what they would have done on recordings
limits_words     these as a limits file with where it comes from
"""
