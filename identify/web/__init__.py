"""The same job as a page in the browser of this computer."""
