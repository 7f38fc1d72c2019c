"""Invented pumps rendered as phone photos, with exact truth for every pixel and millimeter."""
