"""The screens: testing, records, adapter, and the window around them."""
