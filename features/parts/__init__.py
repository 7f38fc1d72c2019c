"""Finding the pump's parts in a photo: one small interface, several finders behind it."""
