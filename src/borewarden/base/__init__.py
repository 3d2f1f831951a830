"""What every layer may use: errors, files, units, times, text, statistics, waits, processes."""
