"""A report of recordings: one HTML file for whoever was not at the bench.

    evidence        everything that it says, read by what the commands read with
    traces          the overview of a joint, read as rows of bands and lines
    attached        files that are attached, and the pictures of them
    bare_picture    a photograph with nothing but its picture
    digest          one SHA-256 over what was recorded
    markup          elements of HTML and SVG, every text from outside escaped
    texts           instants, lengths and figures in words
    blocks          tables, lists, answers, marks of verdicts
    style           the style sheet, the paper, and the policy that allows nothing else
    plumb_line      a measured interval beside its claim
    trace_figure    the overview as a figure
    load_part       the load of one joint: sentence, figures, windows
    specimen_page   claims, verdicts, conditions and what was not tested, of one specimen
    front_page      what was tested, what holds, what does not, what was not tested
    recording_page  one recording: traces, figures, limits, load, notes, gaps
    photographs     the photographs, and what else was attached
    basis_page      findings, assumptions, versions, digests
    document        the whole
    pdf             printed by the installed browser
    cli             `dutytrace report`

Kept together: `evidence`, `traces`, `attached` and `digest` read, `pdf` runs a browser; the rest is
pure, and makes pages of what was read.
"""
