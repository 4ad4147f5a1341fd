"""Helps to write a layout.

dbc_import   a layout from a bus description file
preview      a layout tried on real traffic while it is being edited
"""
