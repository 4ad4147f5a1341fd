"""What each kind of measurement asks for: readings, spans, cautions and steps. Pure data.

shared       cautions that several kinds have, and the arm's reading
backlash     play of the gear, at the tip of an arm or from loops of torque
torque       torque per ampere, from a scale at an arm
ceiling      why less comes than is asked for
oscillation  what swings
friction     running friction, from passes both ways
free         friction from turning by hand
turns        gear ratio, direction, turns that are kept
value        anything that is read off
by_name      all of them by name
"""
