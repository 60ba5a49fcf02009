"""What the sheet says: quantities with units and doubt, its schema, and where each field stands."""
