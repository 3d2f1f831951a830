"""Watches the bore of the fitted jewel, batch by batch.

`batch_loop` is compiled and stops at whatever needs thought. `monitor` does the thinking: a state
machine with a table of what may follow what, one pure `transition`, and its states and events in
`events`. `learning` makes the baseline, `weighing` names the cause of an event, `summary` puts
the state into a verdict. `bore_watch` holds the one mutable thing: the arrays of the loop.
"""
