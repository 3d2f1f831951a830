"""A stand-in pump and cutting head that log invented days, for the demo and the tests."""
