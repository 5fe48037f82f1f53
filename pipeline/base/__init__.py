"""The nouns of the house, and plain functions on arrays that know of nothing above them."""
