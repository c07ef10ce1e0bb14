"""A whole home that answers like a real one, and the replay of a year."""
