"""Re-wetting, slow rise, and room air that became more humid."""
