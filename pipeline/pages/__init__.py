"""The pages: what the tables say, to be read in a browser."""
