"""Where samples come from: logged files and live protocols, all read-only."""
