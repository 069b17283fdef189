"""Charts as pictures, drawn by a browser that is installed already: no package is needed, and nothing is fetched."""
