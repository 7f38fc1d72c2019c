"""The renderer's pumps and cameras, photographed by another renderer with other surfaces, light and development."""
