"""Colours, units, numbers and times as they are displayed; the browser has the same rules. Pure.

theme       colours and pens
units       the units of angles and speeds that a reader chose
format      numbers, durations, elapsed times, times of day and dates as text
deliveries  who was told of an alert, as a sentence
zone        the reader's time zone from its name
"""
