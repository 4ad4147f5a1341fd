"""The endurance campaign: its plan, and the cycles that a joint went through. Pure.

    plan_settings   plan.toml: stages, what ends them, how cycles are found, what is watched
    plan            plan.toml -> a checked plan, and its check against a bench
    plan_words      a plan in plain words
    cycle_rule      when a cycle begins: a level on a course, learned from the course itself
    cycle_kind      whether a cycle ran through
    cycle_plan      what is told of a cycle, and what cycles of a joint are found by
    joint_cycles    how the cycles of a joint of a bench are found
    cycle_finder    cycles as they come, in any chunking: state in, state out
    open_cycle      the cycle that is open: its readings are held, and summed on the way
    recording_breaks  spans of a recording of which readings are missing, or may be
    cycle_sums      what a stretch of a cycle adds to its figures, weighted by time
    cycle_figures   the figures of a cycle: their names, units and values
    friction        friction of a cycle, where it turns both ways at constant speed
    stage_progress  the stage of a plan that a joint is in, and what is told of it
    plan_outlook    how long the whole plan still takes
    stage_outlook   how far a stage is, and when it is expected to end

Kept together: a plan counts cycles, and each module is one step from readings to its progress.

dutytrace drives nothing: a plan says what somebody else makes the joint do.
"""
