// One canvas on the Leaflet map, drawn anew after each move and carried along during one. A new
// picture is drawn in slices on a canvas of its own, and shown when it is whole.

const FIRST_SLICE_MS = 16;
const SLICE_MS = 8;

const SheetCanvas = L.Renderer.extend({
  options: { padding: 0.3 },

  _initContainer() {
    this._container = make("canvas", { "aria-hidden": "true", class: "plan-canvas" });
    this._pen = this._container.getContext("2d");
    this._spare = make("canvas", {});
    this._sparePen = this._spare.getContext("2d");
  },

  _destroyContainer() {
    this._frame = null;
    this._container.remove();
  },

  // What is shown keeps its own place and scale until the next picture takes over.
  _reset() {
    this._update();
    this._updateTransform(this._map.getCenter(), this._map.getZoom());
  },

  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    if (!this._bounds) L.Renderer.prototype._update.call(this);
    this._frame = null;
    this._container.dataset.drawn = "no";
    if (this.isAtOnce) {
      this.redraw();
      return;
    }
    if (this._isDue) return;
    this._isDue = true;
    queueMicrotask(() => {
      this._isDue = false;
      if (this._map) this.redraw();
    });
  },

  redraw() {
    if (!this._bounds) return;
    this._frame = this._makeFrame();
    this._container.dataset.drawn = "no";
    this._goOn(this._frame, FIRST_SLICE_MS);
  },

  _makeFrame() {
    const [size, share] = [this._map.getSize(), this.options.padding];
    const corner = this._map.containerPointToLayerPoint(size.multiplyBy(-share)).round();
    const bounds = L.bounds(corner, corner.add(size.multiplyBy(1 + share * 2)).round());
    const across = bounds.getSize();
    const density = this.density || Math.min(window.devicePixelRatio || 1, 2);
    this._spare.width = Math.round(across.x * density);
    this._spare.height = Math.round(across.y * density);
    const stretch = this._spare.width / across.x;
    this._sparePen.setTransform(stretch, 0, 0, stretch, 0, 0);
    const view = this.makeView(bounds);
    return { bounds, across, centre: this._map.getCenter(), zoom: this._map.getZoom(), work: drawSheet(this._sparePen, view) };
  },

  // Draws for some milliseconds and leaves the rest to the next turn, so that the page stays awake.
  _goOn(frame, most) {
    if (this._frame !== frame || !this._map || this._map._animatingZoom) return;
    const end = this.isAtOnce ? Infinity : performance.now() + most;
    do {
      if (frame.work.next().done) {
        this._show(frame);
        return;
      }
    } while (performance.now() < end);
    setTimeout(() => this._goOn(frame, SLICE_MS));
  },

  _show(frame) {
    this._frame = null;
    this._bounds = frame.bounds;
    this._center = frame.centre;
    this._zoom = frame.zoom;
    L.DomUtil.setPosition(this._container, frame.bounds.min);
    this._container.width = this._spare.width;
    this._container.height = this._spare.height;
    this._container.style.width = `${frame.across.x}px`;
    this._container.style.height = `${frame.across.y}px`;
    this._pen.drawImage(this._spare, 0, 0);
    this._container.dataset.drawn = "yes";
  },

  // How grid cells become pixels of the canvas, and what part of the grid it shows.
  makeView(bounds) {
    const size = bounds.getSize();
    const scale = 2 ** (this._map.getZoom() - ZOOM_OF_GRID);
    const corner = this._map.getPixelOrigin().add(bounds.min);
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
