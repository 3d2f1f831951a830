"""How long jewels last: records, survival, posterior, when to replace, what to stock."""
