"""The finished session, put away with proof: what goes in, and whether the prints still sum to the mix."""
