"""What a part is made by and with: recipes, calibrations, settings."""
