// One canvas on the Leaflet map, drawn anew after each move and carried along during one.

const SheetCanvas = L.Renderer.extend({
  options: { padding: 0.3 },

  _initContainer() {
    this._container = make("canvas", { "aria-hidden": "true", class: "plan-canvas" });
    this._pen = this._container.getContext("2d");
  },

  _destroyContainer() {
    this._container.remove();
  },

  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    const size = this._bounds.getSize();
    const density = this.density || Math.min(window.devicePixelRatio || 1, 2);
    L.DomUtil.setPosition(this._container, this._bounds.min);
    this._container.width = Math.round(size.x * density);
    this._container.height = Math.round(size.y * density);
    this._container.style.width = `${size.x}px`;
    this._container.style.height = `${size.y}px`;
    this.redraw();
  },

  redraw() {
    if (!this._bounds) return;
    const size = this._bounds.getSize();
    const density = this._container.width / size.x;
    this._pen.setTransform(density, 0, 0, density, 0, 0);
    this._pen.clearRect(0, 0, size.x, size.y);
    drawSheet(this._pen, this.makeView(size));
  },

  // How grid cells become pixels of the canvas, and what part of the grid it shows.
  makeView(size) {
    const scale = 2 ** (this._map.getZoom() - ZOOM_OF_GRID);
    const corner = this._map.getPixelOrigin().add(this._bounds.min);
    return {
      scale,
      dx: corner.x,
      dy: corner.y,
      width: size.x,
      height: size.y,
      west: corner.x / scale,
      north: corner.y / scale,
      east: (corner.x + size.x) / scale,
      south: (corner.y + size.y) / scale,
      pixelsPerM: study.cells * scale,
    };
  },
});
