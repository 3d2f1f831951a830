"""The steady-state gate: from samples to phases and batches of effective area.

`batch` says what a batch holds, `state` what the loop keeps from sample to sample, `gate_loop` is
the compiled loop, `gate` has the settings and feeds the loop, `jet_time` counts jet hours from
stored phases.
"""
