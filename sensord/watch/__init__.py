"""Pure state machines: from readings and commands to states, alarms and effects. `nursery.step` is the whole."""
