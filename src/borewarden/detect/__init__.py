"""Has the bore changed? The jewel's baseline, a step in its area, a line of wear."""
