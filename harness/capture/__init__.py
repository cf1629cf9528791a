"""Reads waveforms that instruments wrote as text: by what stands in the file, never by who made the instrument."""
