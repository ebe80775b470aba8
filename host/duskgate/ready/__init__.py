"""What `check`, `clock` and `watch` conclude from a board's answers: records, states in; sentences, pictures out."""
