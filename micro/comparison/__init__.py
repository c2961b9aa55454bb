"""Differences between specimens, toughness coupons, chemistry."""
