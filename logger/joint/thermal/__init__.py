"""The thermal equations of a joint, and what follows from them: exact, of one or of many at once.

thermal_model  winding and housing: step, steady state
thermal_load   how warm a joint gets under a given load, standby and speed losses included
sensor_lag     what a sensor shows that follows its node with a time constant of its own
thermal_duty   what a joint bears for ever, for a time and in cycles
thermal_overload  for how long loads can be held, for many joints and loads at once
thermal_motion  where a motion that is repeated settles, and when it is first over a temperature
"""
