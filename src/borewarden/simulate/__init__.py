"""A virtual pump and cutting head that log invented days, for the demo and the tests."""
