"""The cycles of recordings, found from their readings, and what is told of a campaign.

    faults           why no cycles can be told of a recording, one kind each
    read_cycles      from a recording to its cycles: the one way in
    cycle_table      many cycles as columns, their counts and their text as CSV
    words            what is told of cycles in words
    campaign         several recordings of one joint as one campaign: typed answers for a page
    campaign_cycles  its cycles, as recorded or found, with its pauses folded
    campaign_days    what happened on each day, and its stages
    plan_end         when a whole plan ends, by the pauses that it had so far
    present_stage    the stage that a recording is in, as its recorder told last
    figure_blocks    figures as means over blocks of hours, and what is known to move them
    noise_grid       how figures wander without any change
    white_blocks     columns of blocks made white, and courses of changes with them
    change_scan      every date and shape of a change tried, under noise that is learned
    figure_trend     trend at like temperature, change points, what would not have been seen
    campaign_words   what is told of a campaign in words, and as JSON
    cli              `dutytrace cycles` and `dutytrace campaign`

`read_cycles` reads recordings; the cycles themselves are found by `logger.campaign`, as they would
be while the recording grows.

Kept together: a campaign is told from its cycles, and its trend is of nothing else.
"""
