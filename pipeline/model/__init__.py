"""The frozen values that cross folders; data only, no behaviour beyond what a value says of itself."""
