"""Things of known size in a photo: found, named, and handed on as matched points."""
