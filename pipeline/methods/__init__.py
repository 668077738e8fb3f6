"""Methods of statistics and biomechanics that the stages use, each with its source; none reads a file or a setting."""
