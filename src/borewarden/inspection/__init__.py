"""A guided inspection at the machine, and what its answers say of the causes.

`cautions` come first; `steps` asks, `evidence` says how probable each answer is under each cause,
`posterior` weighs the answers by Bayes' rule, `outcome` says what they come to, `record` holds what
is kept of an inspection, and `labels` makes labels for tuning of it.
"""
