"""Scenes rendered in perspective: landscapes, things on a table, house fronts, all by a seed."""
