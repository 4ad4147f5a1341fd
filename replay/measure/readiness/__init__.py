"""What a recording answers already, and how much more a measurement needs. Read as it grows.

needed       what a kind needs, and what there is of it
rows_needed  passes and holds, counted in rows, each once however the rows come
heat_needed  how long the load has to go on until the thermal resistance is known
noted_needed  spans that notes name
judge        all of them for a joint; keeps what it has read

Pure but for `judge`, which reads recordings. Passes and holds are found as the evaluations
find them, and held against what those ask for: nothing here has a rule of its own.
"""
