"""Which settings would have done best on logged days: a sweep, its trade-off and a patch for it."""
