"""Board ticks to UTC with its uncertainty; sun, moon and the naming of nights."""
