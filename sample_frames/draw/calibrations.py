"""Write the calibration of every sample layout, each drawn on ONE device (in the making)."""
