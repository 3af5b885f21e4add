"""An invented district: layers, terrain, study file and the script that makes them."""
