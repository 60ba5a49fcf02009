"""What would another setting do? The sheet solved again (trials), or the draws of the estimate (forecast)."""
