"""A joint's heat while it is recorded: estimated once a second, and where it goes from there. Pure.

model      which model of heat is meant, its parameters, and the joint that has them
fitted     the model of a bench file, with draws of what its fit left open
seconds    readings as seconds, the same in any chunking: mean squares, mean temperatures
observer   the temperatures of all nodes and the ambient, from the load and what sensors show
load_cycles  whether a load repeats itself, evenly or not, and where its cycles began
load_law   how the load may go on: holds or whole cycles drawn from the past
forecast   where the temperatures go, and when they reach which level
track      observer and load of one joint, second after second
outcomes   how many of the last forecasts held
needed_step  which load step would tell what a model leaves open
cooling    by how much the cooling has become worse within a window
watch      what is told of a joint live: estimates each second, a forecast every ten
"""
