"""What the next shift needs to know: how long each jewel will last, what to change, what to order.

`seen` reads what is known of each machine from store, register and settings; `outlook` works out
chances, planned changes, stock and costs from that and the posterior of `borewarden.life`; `page`
and `curves` write them as pages. Nothing in here writes to the store.
"""
