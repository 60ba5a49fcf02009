"""What would another setting do? The sheet solved again (trials), or draws of the fitted sheet (forecast)."""
