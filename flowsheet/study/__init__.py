"""The miner's questions, one file each. Results are plain numbers in SI or in the units of their names."""
