"""JSON Schemas that ship with the package."""
