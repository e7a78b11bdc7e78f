"""Recordings: encode and write them, mend cut ones, read them back. No ROS installation is needed for any of it."""
