"""The lab as heat, water and oxygen. Every function takes values and returns values; units stand in the names."""
