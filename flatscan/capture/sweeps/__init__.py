"""Many laser lines on one wall, from a video or photos, as one cloud."""
