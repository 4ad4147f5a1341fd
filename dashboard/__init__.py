"""Shows recordings, live or past, in a browser. Imports replay and the logger's vocabulary.

    app        the server: one process, one port
    cli        the commands that serve pages
    drawn_joints  which joints of a recording are drawn
    plot_data  which rows a figure of a recording has, and what is marked in them
    row_data   the lines, bands and flags of rows, read from replay
    flag_data  the flags of a figure, read from replay
    position_breaks  where the positions of a joint begin anew, and traces end
    server/    what every route shares: requests, open recordings, origin, memory
    access/    the password, where the pages are served to other machines
    text/      colours, units, numbers and times in words
    figures/   arrays -> plotly figures, pure
    pages/     Live, Replay, Limits, Heat, Measure, Data sheet, Bus and Layout: one function a page
    pages/     Live, Replay, Limits, Heat, Measure, Data sheet, Campaign and Bus
    live/      what Live shows: follower, session, websocket
    replay/    what Replay shows of one recording, and its routes
    bus/       what Bus shows of one recording, and its routes
    heat/      what Heat shows of a joint of one recording, its fits, and its route
    measure/   what Measure shows of a measurement on the bench, and its routes
    found_layout/  what Layout shows of a proposal from traffic, and its routes
    sheet/     what Data sheet shows of the specimens of the folder, and its route
    campaign/  what Campaign shows of a joint over weeks: campaigns of the folder, and its route
    limits/    what Limits evaluates: requests, replies, jobs
    assets/    what runs in the browser

The flow is one-way: folder -> recording cache -> follower -> session -> browser for Live, and
folder -> recording cache -> view -> routes -> browser for the others. A request to write goes to
the inbox; a cut becomes a folder of its own, and no recording is written into.
"""
