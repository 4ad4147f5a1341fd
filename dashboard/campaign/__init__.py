"""Campaign: what weeks of cycles of a joint have come to, and whether anything changed.

campaign_list   the campaigns of the folder: recordings that follow one plan, with one serial
kept_campaigns  campaigns read in processes of their own, and kept
figure_text     figures of cycles, their values and changes as text
replay_spans    addresses of Replay at spans of a campaign
sentence        the answer as one sentence
picture         one axis of running hours with pauses folded: rows, stages, faults each day
comparison      another joint's figures on the same running hours
news            what is new since yesterday, what changed and when, what is not known yet
view            what the page shows of a campaign
routes          the route that the page reads from
"""
