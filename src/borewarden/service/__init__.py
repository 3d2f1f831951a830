"""The always-on service: many machines in one process, each sample kept before it is told."""
