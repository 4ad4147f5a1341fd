"""Colours, units, numbers and times as they are shown.

theme   colours and pens
units   the units in which a reader wants angles and speeds
"""
