"""From samples to a verdict, in the order of the data's way.

`gate` sorts samples into phases and gathers steady jet-on time into batches; `baseline` learns
the discharge coefficient and the noise of the fitted jewel; `change` finds a step and `drift` a
slope in the batches; `verdict` puts the state into numbers; `watcher` strings them together.
"""
