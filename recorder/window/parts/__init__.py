"""What screens are made of: keys, numbers, signs, traces."""
