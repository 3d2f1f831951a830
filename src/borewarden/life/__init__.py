"""How long jewels last in this shop: lives learned from records, and what follows from them.

`posterior` learns the lives of jewels from the shop's records and weak priors; `survival` says what
they mean for one jewel: median, curve, chance of lasting; `replacement` finds the age at which to
change a jewel before it fails, and `stock` how many to hold. Hours are jet hours, as everywhere
where the life of a jewel is counted. Nothing here reads or writes a file.
"""
