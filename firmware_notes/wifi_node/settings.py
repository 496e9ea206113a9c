"""What differs from shed to shed. Copy this file to the board with your own values; it is the only one to change."""

# The bucket's name as in emberpail.toml, and this node's own: letters, digits and - . _
BUCKET = "shed-2"
NODE = "barn-node"

# Probe -> number of the pin that selects its amplifier.
PROBES = {"core": 5, "ambient": 17}
SPI = {"id": 1, "sck": 18, "miso": 19, "mosi": 23}

# Seconds between two samples, and for how long they are kept while nobody hears them.
PERIOD_S = 10
KEPT_H = 14

WIFI = ("the shed's network", "its password")
BROKER = ("192.168.1.10", 1883)
USER = ("barn-node", "its password")  # None where the broker wants none
TIME_SERVER = "pool.ntp.org"  # without internet the address of a computer that tells it, or "": the watch places them

# The pin that measures the supply through a divider, and by how much that divides; None without a battery.
SUPPLY = (34, 2.0)
