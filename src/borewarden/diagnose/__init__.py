"""Why did the water that the pump delivers change?

`causes` names what can go wrong and how often it does; `feature_table` lists what can be measured
of it; `signatures` says what each cause does to each feature; `posterior` weighs the causes by
Bayes' rule; `evidence` puts the reasons into words; `checks` picks the cheapest check that
separates the first two.
"""
