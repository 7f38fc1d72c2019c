"""An answer in words: one content, and its ways out as PDF, as HTML and on a terminal."""
