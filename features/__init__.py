"""From pixels to millimeters and attributes; knows standards, knows no maker and no kit."""
