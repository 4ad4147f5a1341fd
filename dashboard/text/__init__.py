"""Colours, units, numbers and times as they are shown: one rule for each, on both sides. Pure.

theme   colours and pens
units   the units in which a reader wants angles and speeds
format  numbers, durations, elapsed times, times of day and dates as text
zone    the reader's time zone from its name
"""
