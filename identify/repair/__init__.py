"""From families to the next step: which kit, whether to order it, what could replace the pump, cautions."""
