"""What the weights taught, how sure it is, and the next sack: in words, tables and pictures."""
