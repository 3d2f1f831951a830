"""When to tell somebody, and the way of a mail to its server."""
