"""What contacts teach of an orbit: from receptions and measurements to an along-track offset."""
