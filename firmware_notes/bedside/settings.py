"""What differs from house to house. Copy this file to the board with your own values; it is the only one to change."""

WIFI = ("the house's network", "its password")
BROKER = ("192.168.1.10", 1883)
USER = ("bedside", "its password")
NAME = "bedside"

BUZZER, LAMP, BUTTON = 25, 26, 27  # pins
