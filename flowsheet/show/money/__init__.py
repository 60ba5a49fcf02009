"""What a sack and the pile are worth: in words, tables and pictures."""
