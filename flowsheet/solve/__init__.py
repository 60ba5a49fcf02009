"""From a sheet to its streams: the network and its loops, propagation, balance and closure."""
