"""The measured data sheet: what a maker claims, what was measured, and how sure that is.

    specimens    the specimens of a folder: who they are, their claims and findings
    conditions   whether what was measured and what is claimed hold under like conditions
    torque_basis  torques made from current, put right by the torque per ampere that was measured
    combining    the findings of one quantity as one value, uncertainty carried by source
    verdict      a claim held against an interval: met, short, not proven
    change_point  whether it changed at one time
    trend        how a quantity goes over running hours, and what would have been seen
    comparison   specimens beside each other: differences, and whether they are more than chance
    sheet        the sheet of one specimen, row by row
    sentence     the one sentence with the count of verdicts
    answer       sheets and comparisons as JSON, rows of sheets as CSV
    words        rows and notes of sheets and comparisons
    cli          `dutytrace sheet`

Pure but for `specimens`, which reads recordings.
"""
