"""Values from a table, CSV or Parquet: each cell read or told with its row, nothing guessed.

table_file    a table in blocks of rows, whatever separates its cells
cells         the numbers in its cells, and what could not be read
times         when each of its rows was: one column or two, zones, numbers of a unit
value_table   a table as readings of joints, or of a sensor
import_table  a table of values as a recording of its own
"""
