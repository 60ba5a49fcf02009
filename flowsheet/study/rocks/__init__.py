"""Single rocks: gold in a specimen by weighing it in water (hydrostatic), and how to saw along a band (slabs)."""
