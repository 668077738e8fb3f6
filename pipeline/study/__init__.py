"""Studies: a comparison defined in a file before its result, taken on a store, to a report that can be repeated."""
