"""What ore is made of: sieve series and grids, size laws, gold grains, liberation, the material itself."""
