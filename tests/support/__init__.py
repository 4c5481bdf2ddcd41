"""What tests of several areas share. Imported as `support.<module>`; holds no tests."""
