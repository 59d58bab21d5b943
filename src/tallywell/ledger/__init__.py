"""From readings to volumes that balance, in whole counts. Never hears of Modbus."""
