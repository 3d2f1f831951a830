"""The whole life of a jewel: which one to fit, how long it lasts, what it costs, when to change it.

`choice` sets the stock bores out for a pump, with power, margins and cost; `posterior` learns the
lives of jewels from the shop's records and weak priors; `survival` says what they mean for one
jewel: median, curve, chance of lasting; `replacement` finds the age at which to change a jewel
before it fails, and `stock` how many to hold; `rim` measures a chip in a microscope's picture.
Hours are jet hours, as everywhere where the life of a jewel is counted.
"""
