"""The packaged demo set, all invented: makers, pumps, kits and prices, and the generator that wrote them."""
