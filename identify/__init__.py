"""From measurements to families, kits and an answer a salesperson can act on."""
