"""The airs: comparison, moisture source, air change, outdoor forecast, ventilation advice."""
