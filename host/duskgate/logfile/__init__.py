"""Opens logs and captures: bytes in, tables of board time out."""
