"""Layout: the layout of an unknown drive, proposed from its traffic, decided by a person.

question  what the page asks: the steps with their times, what was typed; validated
proposed  the proposal of a question, made in a process of its own and kept
curves    what the logger would decode with it, over the steps
curves_figure  the same as a figure, beside what physics expects
view      what the page shows of a proposal
routes    the routes: what there is, a proposal, the layout that a decided one makes
"""
