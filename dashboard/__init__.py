"""Shows a recording, live or past. Imports replay and logger's vocabulary; computes nothing itself.

    app        the server: one process, one port
    heap       memory that is free goes back to the system
    guard      who may speak to it
    access/    who is let in where others are served: password, sessions, login, read-only
    shelf      the one door to the recordings folder
    theme      colours, pens, numbers in words
    units      the units in which a reader wants angles and speeds
    figures/   arrays -> plotly figures, pure
    pages/     Live, Replay, Limits and Bus: a layout and a few thin callbacks each
    ledger     the present state of joints and alerts, in words
    alert_lines  what stands open, and what can be done
    drive_words  what a drive says of itself
    follower   follows the recording that is being written, once for all open pages
    tab        what one open page has been told, and what to tell it next
    stream     the websocket that carries it
    wire       how an update travels
    changed    what changed between two tellings of the ledger
    views      the routes that Replay reads from
    past       what Replay shows of one recording
    excursion_lines  its excursions in words, and what led up to some of them
    judged     other limits in an address, so that a link holds what it shows
    overlay    what is said of a second recording laid over it
    catalogue  the list of recordings
    heard_views  the routes that Bus reads from
    heard      what Bus shows of one recording
    talk       who talked in a span, as the rows of a table
    posted     what every POST of a page goes through
    asks       notes, acknowledgements and shelvings, handed to the recording's writer
    judging/   limits tried on recordings: what the Limits page asks and is answered
    hand_on    a span cut out as a recording of its own, a recording as one file
    assets/    what runs in the browser: draw.js draws, live.js, replay.js, heard.js and limits.js
               drive (limits_form.js, limits_lanes.js and limits_sweep.js are parts of the last),
               overlay.js lays a second recording over one in Replay,
               session.js notices that a session ended, units.js keeps the reader's units,
               sound.js lets alerts be heard, wake.js keeps the screen awake, hand_on.js cuts out
               and packs

The flow is one-way: folder -> shelf -> follower -> tab -> browser for Live, and
folder -> shelf -> past -> views -> browser for Replay. What a page wants written goes to the inbox;
a cut becomes a folder of its own, and no recording is written into.
"""
