"""Single rocks: gold in a specimen by weighing it in water (hydrostatic; what it tells: result), and how to saw along a
band (slabs).
"""
