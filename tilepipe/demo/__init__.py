"""An invented evening by the sea with known light: the scene, its camera and the files of its bracket."""
