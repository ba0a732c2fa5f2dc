"""The pins: buzzer, lamp and buttons."""
