"""A guided inspection at the machine, and what its answers say of the causes.

`steps` asks, `evidence` says how probable each answer is under each cause, `posterior` weighs the
answers by Bayes' rule, and `record` holds what is kept of an inspection.
"""
