"""The normal form of an examination: findings by side and site, moments, units."""
