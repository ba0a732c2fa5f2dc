"""The config: sections, what refuses them, and the settings that everything else is handed."""
