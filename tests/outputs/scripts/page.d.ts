// What every page gets from outside its own scripts: Leaflet, and the map that folium makes.
declare const L: any;
declare const sheet_map: any;
