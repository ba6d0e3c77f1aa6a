"""Open data from other people's machines: one service a file, one shared session."""
