/* The turnable view of a thinned cloud. Draws when something changed, and only then.
 *
 * What it draws with is twgl.js; the shading by depth follows Boucheny (2009), "Visualisation scientifique de grands
 * volumes de données: pour une approche perceptive": a pixel is darkened by how far it lies behind its neighbours. */
(function () {
  "use strict";

  const POINTS_VERTEX = `#version 300 es
    in vec4 place;
    uniform mat4 matrix;
    uniform vec3 stepSize, firstPlace;
    uniform float exaggeration, byHeight, sizeAtOne, smallest, largest, noiseSize;
    uniform vec2 heights;
    uniform sampler2D classColours, heightColours;
    flat out vec3 colour;
    void main() {
      vec3 at = firstPlace + place.xyz * stepSize;
      float light = floor(place.w / 256.0);
      float code = place.w - 256.0 * light;
      vec4 ofClass = texelFetch(classColours, ivec2(int(code + 0.5), 0), 0);
      float share = clamp((at.z - heights.x) / max(heights.y - heights.x, 0.001), 0.0, 1.0);
      bool noise = ofClass.a < 0.75;
      vec3 ofHeight = texture(heightColours, vec2((share * 255.0 + 0.5) / 256.0, 0.5)).rgb;
      vec3 plain = mix(ofClass.rgb * mix(0.90, 1.06, share), ofHeight, byHeight);
      colour = noise ? ofClass.rgb : plain * mix(0.62, 1.14, light / 255.0);
      gl_Position = matrix * vec4(at.xy, at.z * exaggeration, 1.0);
      float wide = clamp(sizeAtOne / max(gl_Position.w, 0.001), smallest, largest);
      gl_PointSize = noise ? max(wide, noiseSize) : wide;
      if (ofClass.a < 0.25) { gl_Position = vec4(2.0, 2.0, 2.0, 1.0); gl_PointSize = 0.0; }
    }`;
  const POINTS_FRAGMENT = `#version 300 es
    precision mediump float;
    flat in vec3 colour;
    out vec4 pixel;
    void main() {
      vec2 off = gl_PointCoord - 0.5;
      if (dot(off, off) > 0.25) discard;
      pixel = vec4(colour, 1.0);
    }`;
  const LINES_VERTEX = `#version 300 es
    in vec3 corner;
    uniform mat4 matrix;
    void main() { gl_Position = matrix * vec4(corner, 1.0); }`;
  const LINES_FRAGMENT = `#version 300 es
    precision mediump float;
    uniform vec4 ink;
    out vec4 pixel;
    void main() { pixel = vec4(ink.rgb * ink.a, ink.a); }`;
  const SHADE_VERTEX = `#version 300 es
    in vec2 corner;
    void main() { gl_Position = vec4(corner, 0.0, 1.0); }`;
  const SHADE_FRAGMENT = `#version 300 es
    precision highp float;
    uniform sampler2D colours;
    uniform highp sampler2D depths;
    uniform ivec2 size;
    uniform int fine, gap;
    uniform float near, far, reach, strength, scale;
    uniform vec3 above, below;
    out vec4 pixel;
    float depthOf(ivec2 at) {
      float d = texelFetch(depths, clamp(at, ivec2(0), size - 1), 0).r;
      return log2(near * far / (far - d * (far - near)));
    }
    ivec2 around(int i) {
      return ivec2(i < 3 ? -1 : i < 5 ? 0 : 1, i < 3 ? i - 1 : i < 5 ? 2 * (i - 3) - 1 : i - 6);
    }
    /* A gap with points nearly all around it is filled with what is nearest to the eye there. */
    ivec2 filled(ivec2 at, int r) {
      ivec2 best = at;
      float nearest = 1.0;
      int found = 0;
      for (int i = 0; i < 8; i++) {
        ivec2 other = clamp(at + around(i) * r, ivec2(0), size - 1);
        float d = texelFetch(depths, other, 0).r;
        if (d < 1.0) found += 1;
        if (d < nearest) { nearest = d; best = other; }
      }
      return found >= 6 ? best : at;
    }
    vec3 shaded(ivec2 at, vec3 behind) {
      float d = texelFetch(depths, at, 0).r;
      for (int r = 1; r <= 3 && d == 1.0; r++) {
        at = filled(at, r * gap);
        d = texelFetch(depths, at, 0).r;
      }
      vec4 ink = texelFetch(colours, at, 0);
      if (d < 1.0) {
        float own = depthOf(at), sum = 0.0;
        int r = max(int(reach + 0.5), 1);
        for (int i = 0; i < 8; i++) {
          sum += clamp(own - depthOf(at + around(i) * r), 0.0, 0.02);
        }
        ink.rgb *= mix(0.28, 1.0, exp(-strength * sum));
      }
      return ink.rgb + behind * (1.0 - ink.a);
    }
    void main() {
      ivec2 at = ivec2(floor(gl_FragCoord.xy) * scale);
      vec3 behind = mix(below, above, gl_FragCoord.y * scale / float(size.y));
      vec3 sum = vec3(0.0);
      for (int i = 0; i < fine; i++)
        for (int k = 0; k < fine; k++) sum += shaded(at + ivec2(i, k), behind);
      pixel = vec4(sum / float(fine * fine), 1.0);
    }`;

  const ABOVE = [0.84, 0.87, 0.895], BELOW = [0.67, 0.715, 0.755], INK = [0.16, 0.22, 0.28];
  const ANGLE_OF_VIEW = (32 * Math.PI) / 180;
  // Milliseconds for a frame from which on it is drawn coarsely while it moves.
  const SLOW = 70;
  const STEEPEST = Math.PI / 2 - 0.001, FLATTEST = 0.02;

  /* 4 x 4 matrices in columns, as WebGL takes them. */
  function product(a, b) {
    const c = new Float32Array(16);
    for (let i = 0; i < 4; i++)
      for (let k = 0; k < 4; k++)
        for (let j = 0; j < 4; j++) c[4 * i + k] += b[4 * i + j] * a[4 * j + k];
    return c;
  }

  function perspective(angle, aspect, near, far) {
    const f = 1 / Math.tan(angle / 2);
    return new Float32Array([
      f / aspect, 0, 0, 0, 0, f, 0, 0, 0, 0, (near + far) / (near - far), -1, 0, 0, (2 * near * far) / (near - far), 0,
    ]);
  }

  /* The directions right, up and back of a camera that looks down by `tilt` towards the bearing `turn`. */
  function directions(turn, tilt) {
    const s = Math.sin(turn), c = Math.cos(turn), t = Math.sin(tilt), u = Math.cos(tilt);
    return { right: [c, -s, 0], up: [s * t, c * t, u], back: [-s * u, -c * u, t] };
  }

  function dot(a, b) {
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  }

  function bytesOf(text) {
    const raw = atob(text.trim());
    const bytes = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
    return bytes;
  }

  function rgbOf(hex) {
    return [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16));
  }

  /* The largest of 1, 2, 5, 10, ... that isn't longer than `length`. */
  function roundLength(length) {
    const power = Math.pow(10, Math.floor(Math.log10(length)));
    return power * (length >= 5 * power ? 5 : length >= 2 * power ? 2 : 1);
  }

  function lengthInWords(metres) {
    return metres >= 1000 ? metres / 1000 + " km" : metres >= 1 ? metres + " m" : Math.round(metres * 100) + " cm";
  }

  class View {
    constructor(root) {
      this.root = root;
      const part = (name) => root.querySelector(".view3d-" + name);
      this.canvas = part("canvas");
      this.stage = part("stage");
      this.message = part("message");
      this.facts = JSON.parse(part("facts").textContent);
      this.words = new Uint16Array(bytesOf(part("points").textContent).buffer);
      this.count = this.words.length / 4;
      this.hidden = new Set();
      this.byHeight = false;
      this.exaggeration = 1;
      this.asked = false;
      this.lost = false;
      this.resting = 0;
      this.frames = 0;
      this.gl = this.canvas.getContext("webgl2", { antialias: false, alpha: false, powerPreference: "low-power" });
      if (!this.gl) throw new Error("no WebGL 2");
      this.setUp();
      root.classList.add("is-live");
      this.toStart();
      this.labels = this.makeLabels();
      this.listen();
      this.say("");
      new ResizeObserver(() => this.ask()).observe(this.canvas);
      this.ask();
    }

    say(text) {
      this.message.textContent = text;
      this.message.hidden = !text;
    }

    toStart() {
      this.wholeFrom(this.facts.camera.turn, this.facts.camera.tilt);
    }

    /* Look at the whole site from a direction, from as near as it can be all in view. */
    wholeFrom(turn, tilt) {
      const target = [0, 0, 0], { right, up, back } = directions(turn, tilt);
      const tall = Math.tan(ANGLE_OF_VIEW / 2) * this.facts.camera.filled;
      const wide = (tall * this.canvas.clientWidth) / Math.max(this.canvas.clientHeight, 1) || tall;
      let distance = 0;
      for (let round = 0; round < 6; round++) {
        distance = 0;
        const places = this.facts.camera.rim.map((p) => {
          const at = [p[0] - target[0], p[1] - target[1], p[2] * this.exaggeration - target[2]];
          return [dot(right, at), dot(up, at), dot(back, at)];
        });
        for (const [x, y, z] of places) distance = Math.max(distance, z + Math.abs(x) / wide, z + Math.abs(y) / tall);
        for (const [axis, k] of [[right, 0], [up, 1]]) {
          const spots = places.map((p) => p[k] / (distance - p[2]));
          const middle = (Math.min(...spots) + Math.max(...spots)) / 2;
          for (let i = 0; i < 3; i++) target[i] += axis[i] * middle * distance;
        }
      }
      target[2] /= this.exaggeration;
      Object.assign(this, { target, turn, tilt, distance });
      this.ask();
    }

    setUp() {
      const gl = this.gl;
      twgl.setDefaults({ addExtensionsToContext: false });
      this.points = twgl.createProgramInfo(gl, [POINTS_VERTEX, POINTS_FRAGMENT]);
      this.lines = twgl.createProgramInfo(gl, [LINES_VERTEX, LINES_FRAGMENT]);
      this.shade = twgl.createProgramInfo(gl, [SHADE_VERTEX, SHADE_FRAGMENT]);
      this.cloud = twgl.createBufferInfoFromArrays(gl, { place: { numComponents: 4, data: this.words, normalize: false } });
      this.ground = twgl.createBufferInfoFromArrays(gl, { corner: { numComponents: 3, data: this.net() } });
      this.whole = twgl.createBufferInfoFromArrays(gl, { corner: { numComponents: 2, data: [-1, -1, 3, -1, -1, 3] } });
      const plain = { min: gl.NEAREST, mag: gl.NEAREST, wrap: gl.CLAMP_TO_EDGE, auto: false };
      const ramp = new Uint8Array(this.facts.ramp.flatMap((hex) => [...rgbOf(hex), 255]));
      this.heightColours = twgl.createTexture(gl, { ...plain, width: 256, height: 1, src: ramp });
      this.classColours = twgl.createTexture(gl, { ...plain, width: 256, height: 1, src: this.palette() });
      this.surface = null;
    }

    palette() {
      const colours = new Uint8Array(256 * 4).fill(128);
      for (const { code, colour, noise } of this.facts.classes) {
        const shown = this.hidden.has(code) ? 0 : noise ? 127 : 255;
        colours.set([...rgbOf(colour), shown], 4 * code);
      }
      return colours;
    }

    /* Lines of the net below the cloud, and its rim. */
    net() {
      const { half, across, along, floor } = this.facts.net, [wide, long] = half;
      const ends = [];
      for (const x of [-wide, ...across, wide]) ends.push(x, -long, floor, x, long, floor);
      for (const y of [-long, ...along, long]) ends.push(-wide, y, floor, wide, y, floor);
      return new Float32Array(ends);
    }

    makeLabels() {
      const side = ({ name, at }) => this.label(name, "view3d-side", at);
      const pin = ({ name, at }) => this.label(name, "view3d-pin", at);
      return [...this.facts.sides.map(side), ...this.facts.places.map(pin)];
    }

    label(text, kind, at) {
      const element = document.createElement("span");
      element.className = "view3d-label " + kind;
      element.textContent = text;
      element.setAttribute("aria-hidden", "true");
      this.stage.append(element);
      return { element, at };
    }

    /* Draw once, soon; and once more, finer, when it has come to rest. Coarser where there is no graphics card. */
    ask() {
      if (this.asked || this.lost) return;
      this.asked = true;
      delete this.root.dataset.settled;
      requestAnimationFrame(() => {
        this.asked = false;
        if (this.lost) return;
        this.draw(this.slow ? 0.5 : 1);
        clearTimeout(this.resting);
        this.resting = setTimeout(() => this.rest(), 140);
      });
    }

    rest() {
      if (this.asked || this.lost) return;
      if (this.slow === undefined) {
        const start = performance.now();
        this.draw(1);
        // Asking for a pixel waits until all is drawn.
        this.gl.readPixels(0, 0, 1, 1, this.gl.RGBA, this.gl.UNSIGNED_BYTE, new Uint8Array(4));
        this.slow = performance.now() - start > SLOW;
      }
      if (!this.slow || this.drawn !== 1) this.draw(this.slow ? 1 : 2);
      this.root.dataset.settled = this.frames;
    }

    /* Draw at a multiple of the canvas's own pixels. */
    draw(scale) {
      const gl = this.gl, ratio = Math.min(window.devicePixelRatio || 1, 2);
      const width = Math.round(this.canvas.clientWidth * ratio), height = Math.round(this.canvas.clientHeight * ratio);
      if (!width || !height) return;
      if (this.canvas.width !== width || this.canvas.height !== height) {
        this.canvas.width = width;
        this.canvas.height = height;
      }
      const largest = Math.min(4096, gl.getParameter(gl.MAX_RENDERBUFFER_SIZE));
      if (Math.max(width, height) * scale > largest) scale = 1;
      const fine = Math.max(scale, 1), size = [Math.round(width * scale), Math.round(height * scale)];
      this.frame(...size);
      const reach = this.facts.camera.radius * this.exaggeration;
      const near = Math.max(this.distance * 0.04, this.distance - 3 * reach), far = this.distance + 4 * reach;
      this.place(width / height, near, far);

      twgl.bindFramebufferInfo(gl, this.surface);
      gl.clearColor(0, 0, 0, 0);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      gl.enable(gl.DEPTH_TEST);
      gl.disable(gl.BLEND);
      const focus = size[1] / (2 * Math.tan(ANGLE_OF_VIEW / 2)), dot = ratio * scale;
      gl.useProgram(this.points.program);
      twgl.setBuffersAndAttributes(gl, this.points, this.cloud);
      twgl.setUniforms(this.points, {
        matrix: this.matrix, stepSize: this.facts.step, firstPlace: this.facts.first,
        exaggeration: this.exaggeration, byHeight: this.byHeight ? 1 : 0, heights: this.facts.heights,
        sizeAtOne: this.facts.spacing * focus * 1.45, smallest: 1.8 * dot, largest: 14 * dot, noiseSize: 4 * dot,
        classColours: this.classColours, heightColours: this.heightColours,
      });
      twgl.drawBufferInfo(gl, this.cloud, gl.POINTS);

      gl.depthMask(false);
      gl.enable(gl.BLEND);
      gl.blendFunc(gl.ONE, gl.ONE_MINUS_SRC_ALPHA);
      gl.useProgram(this.lines.program);
      twgl.setBuffersAndAttributes(gl, this.lines, this.ground);
      twgl.setUniforms(this.lines, { matrix: this.flat, ink: [...INK, 0.22 * Math.max(scale, 1)] });
      twgl.drawBufferInfo(gl, this.ground, gl.LINES);
      gl.depthMask(true);
      gl.disable(gl.BLEND);

      twgl.bindFramebufferInfo(gl, null);
      gl.disable(gl.DEPTH_TEST);
      gl.useProgram(this.shade.program);
      twgl.setBuffersAndAttributes(gl, this.shade, this.whole);
      twgl.setUniforms(this.shade, {
        colours: this.surface.attachments[0], depths: this.surface.attachments[1], size,
        fine, scale, gap: Math.max(Math.round(dot), 1), near, far, reach: 1.3 * dot, strength: 28, above: ABOVE, below: BELOW,
      });
      twgl.drawBufferInfo(gl, this.whole);
      this.annotate();
      this.drawn = scale;
      this.frames += 1;
    }

    frame(width, height) {
      const gl = this.gl;
      const kinds = [
        { internalFormat: gl.RGBA8, format: gl.RGBA, type: gl.UNSIGNED_BYTE, minMag: gl.NEAREST },
        {
          attachmentPoint: gl.DEPTH_ATTACHMENT, internalFormat: gl.DEPTH_COMPONENT24, format: gl.DEPTH_COMPONENT,
          type: gl.UNSIGNED_INT, minMag: gl.NEAREST,
        },
      ];
      if (!this.surface) this.surface = twgl.createFramebufferInfo(gl, kinds, width, height);
      else if (this.surface.width !== width || this.surface.height !== height)
        twgl.resizeFramebufferInfo(gl, this.surface, kinds, width, height);
    }

    place(aspect, near, far) {
      const { right, up, back } = directions(this.turn, this.tilt);
      const tall = [this.target[0], this.target[1], this.target[2] * this.exaggeration];
      const eye = tall.map((v, i) => v + back[i] * this.distance);
      const view = new Float32Array([
        right[0], up[0], back[0], 0, right[1], up[1], back[1], 0, right[2], up[2], back[2], 0,
        -dot(right, eye), -dot(up, eye), -dot(back, eye), 1,
      ]);
      this.matrix = product(perspective(ANGLE_OF_VIEW, aspect, near, far), view);
      this.flat = this.matrix.slice();
      for (let i = 8; i < 12; i++) this.flat[i] *= this.exaggeration;
    }

    /* Where a place (metres, heights as they are) stands on the canvas, CSS pixels; null behind the camera. */
    seen(at) {
      const m = this.flat, w = m[3] * at[0] + m[7] * at[1] + m[11] * at[2] + m[15];
      if (w <= 0) return null;
      const x = (m[0] * at[0] + m[4] * at[1] + m[8] * at[2] + m[12]) / w;
      const y = (m[1] * at[0] + m[5] * at[1] + m[9] * at[2] + m[13]) / w;
      return [((x + 1) / 2) * this.canvas.clientWidth, ((1 - y) / 2) * this.canvas.clientHeight, w];
    }

    annotate() {
      const width = this.canvas.clientWidth, height = this.canvas.clientHeight;
      for (const { element, at } of this.labels) {
        const spot = this.seen(at);
        const shown = spot && spot[0] > 8 && spot[0] < width - 8 && spot[1] > 8 && spot[1] < height - 8;
        element.hidden = !shown;
        if (shown) element.style.transform = `translate(-50%, -50%) translate(${spot[0]}px, ${spot[1]}px)`;
      }
      this.root.querySelector(".view3d-needle").setAttribute("transform", `rotate(${(-this.turn * 180) / Math.PI})`);
      const metresPerPixel = (2 * this.distance * Math.tan(ANGLE_OF_VIEW / 2)) / height;
      const length = roundLength(metresPerPixel * Math.min(140, width / 3));
      this.root.querySelector(".view3d-bar").style.width = length / metresPerPixel + "px";
      this.root.querySelector(".view3d-length").textContent = lengthInWords(length);
    }

    turnBy(turn, tilt) {
      this.turn = (this.turn + turn) % (2 * Math.PI);
      this.tilt = Math.min(Math.max(this.tilt + tilt, FLATTEST), STEEPEST);
      this.ask();
    }

    zoomBy(factor) {
      const { radius } = this.facts.camera;
      this.distance = Math.min(Math.max(this.distance * factor, radius / 150), radius * 12);
      this.ask();
    }

    /* Move along the ground, by pixels of the screen. */
    panBy(dx, dy) {
      const { right, up, back } = directions(this.turn, this.tilt);
      const size = (2 * this.distance * Math.tan(ANGLE_OF_VIEW / 2)) / this.canvas.clientHeight;
      const ahead = Math.sin(this.tilt) > 0.25 ? [-back[0], -back[1], 0] : up;
      const norm = Math.hypot(ahead[0], ahead[1], ahead[2]) * (ahead === up ? 1 : Math.max(Math.sin(this.tilt), 0.3));
      const flat = Math.hypot(back[0], back[1]) < 0.05 ? [Math.sin(this.turn), Math.cos(this.turn), 0] : null;
      const way = flat || ahead.map((v) => v / norm);
      for (let i = 0; i < 3; i++) {
        const step = (-right[i] * dx + way[i] * dy) * size;
        this.target[i] += i === 2 ? step / this.exaggeration : step;
      }
      this.ask();
    }

    lookAt(at, radius) {
      this.target = at.slice();
      this.distance = (radius || this.facts.camera.radius / 6) / Math.sin(ANGLE_OF_VIEW / 2);
      this.ask();
    }

    /* The point that is drawn at (or within a few pixels of) a place of the canvas and is nearest to the eye. */
    pick(x, y) {
      const { step, first } = this.facts, words = this.words;
      let best = null, score = Infinity;
      for (let i = 0; i < this.count; i++) {
        if (this.hidden.has(words[4 * i + 3] & 255)) continue;
        const at = [0, 1, 2].map((k) => first[k] + words[4 * i + k] * step[k]);
        const spot = this.seen(at);
        if (!spot) continue;
        const off = Math.hypot(spot[0] - x, spot[1] - y);
        if (off > 7) continue;
        const rank = spot[2] * (1 + off / 200);
        if (rank < score) {
          score = rank;
          best = { at, code: words[4 * i + 3] & 255 };
        }
      }
      return best;
    }

    tell(found) {
      const line = this.root.querySelector(".view3d-readout");
      if (!found) {
        line.textContent = "";
        return;
      }
      const kind = this.facts.classes.find((c) => c.code === found.code);
      const { origin, unit, unitName } = this.facts;
      const [x, y, z] = found.at.map((v, i) => ((v + origin[i]) / unit[i]).toFixed(2));
      line.textContent = `x ${x}, y ${y}, height ${z} ${unitName}: ${kind.name}`;
    }

    repaint() {
      twgl.setTextureFromArray(this.gl, this.classColours, this.palette(), { width: 256, height: 1 });
      this.ask();
    }

    show(codes, shown) {
      for (const code of codes) shown ? this.hidden.delete(code) : this.hidden.add(code);
      this.repaint();
    }

    listen() {
      this.listenPointers();
      const canvas = this.canvas;
      canvas.addEventListener("keydown", (event) => this.key(event));
      canvas.addEventListener("wheel", (event) => {
        // A page that is scrolled past must scroll: only a view that was chosen takes the wheel.
        if (document.activeElement !== canvas) return;
        event.preventDefault();
        this.zoomBy(Math.exp(Math.sign(event.deltaY) * Math.min(Math.abs(event.deltaY), 120) * 0.0014));
      }, { passive: false });
      canvas.addEventListener("webglcontextlost", (event) => {
        event.preventDefault();
        this.lost = true;
        clearTimeout(this.resting);
        this.root.classList.remove("is-live");
        this.say("The browser took the graphics memory away; the picture stands in until it gives it back.");
      });
      canvas.addEventListener("webglcontextrestored", () => {
        this.setUp();
        this.lost = false;
        this.root.classList.add("is-live");
        this.say("");
        this.ask();
      });
      const root = this.root;
      root.addEventListener("change", ({ target }) => {
        if (target.dataset.codes) this.show(target.dataset.codes.split(" ").map(Number), target.checked);
        else if ("exaggeration" in target.dataset) {
          this.exaggeration = +target.value;
          this.ask();
        }
      });
      root.addEventListener("click", ({ target }) => {
        const button = target.closest("button");
        if (!button || !root.contains(button)) return;
        const { colourBy, act } = button.dataset;
        if (colourBy) this.colourBy(colourBy);
        else if (act === "reset") this.toStart();
        else if (act === "above") this.wholeFrom(0, STEEPEST);
        else if (act === "nearer") this.zoomBy(0.8);
        else if (act === "farther") this.zoomBy(1.25);
      });
      for (const link of document.querySelectorAll("[data-look-at]")) {
        link.hidden = false;
        link.addEventListener("click", () => {
          const [x, y, z, radius] = link.dataset.lookAt.split(" ").map(Number);
          this.lookAt([x, y, z].map((v, i) => v - this.facts.centre[i]), radius);
          this.root.scrollIntoView({ block: "center" });
          this.canvas.focus({ preventScroll: true });
        });
      }
    }

    colourBy(what) {
      this.byHeight = what === "height";
      for (const button of this.root.querySelectorAll("[data-colour-by]"))
        button.setAttribute("aria-pressed", String(button.dataset.colourBy === what));
      this.root.classList.toggle("is-by-height", this.byHeight);
      this.ask();
    }

    key(event) {
      const { key, shiftKey } = event, turn = 0.09, pan = 40;
      const way = { ArrowLeft: [1, 0], ArrowRight: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[key];
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      if (way && shiftKey) this.panBy(way[0] * pan, way[1] * pan);
      else if (way) this.turnBy(way[0] * turn, way[1] * turn);
      else if (key === "+" || key === "=") this.zoomBy(0.85);
      else if (key === "-" || key === "_") this.zoomBy(1 / 0.85);
      else if (key === "0" || key === "Home") this.toStart();
      else return;
      event.preventDefault();
    }

    listenPointers() {
      const canvas = this.canvas, down = new Map();
      let moved = 0;
      const middle = () => {
        const all = [...down.values()];
        const x = all.reduce((s, p) => s + p.x, 0) / all.length, y = all.reduce((s, p) => s + p.y, 0) / all.length;
        return { x, y, wide: all.length > 1 ? Math.hypot(all[0].x - all[1].x, all[0].y - all[1].y) : 0 };
      };
      canvas.addEventListener("pointerdown", (event) => {
        if (!down.size) moved = 0;
        if (event.pointerType === "mouse") canvas.focus({ preventScroll: true });
        canvas.setPointerCapture(event.pointerId);
        down.set(event.pointerId, { x: event.clientX, y: event.clientY });
      });
      canvas.addEventListener("pointermove", (event) => {
        if (!down.has(event.pointerId)) return;
        const before = middle();
        down.set(event.pointerId, { x: event.clientX, y: event.clientY });
        const now = middle(), dx = now.x - before.x, dy = now.y - before.y;
        moved += Math.abs(dx) + Math.abs(dy);
        if (down.size > 1) {
          this.panBy(dx, dy);
          if (before.wide > 0 && now.wide > 0) this.zoomBy(before.wide / now.wide);
        } else if (event.buttons & 2 || event.buttons & 4 || event.shiftKey) this.panBy(dx, dy);
        else this.turnBy(dx * 0.007, dy * 0.007);
      });
      const up = (event) => {
        if (!down.delete(event.pointerId) || event.type !== "pointerup" || moved > 5) return;
        canvas.focus({ preventScroll: true });
        const box = canvas.getBoundingClientRect();
        this.tell(this.pick(event.clientX - box.left, event.clientY - box.top));
      };
      canvas.addEventListener("pointerup", up);
      canvas.addEventListener("pointercancel", up);
      canvas.addEventListener("contextmenu", (event) => event.preventDefault());
      canvas.addEventListener("dblclick", (event) => {
        const box = canvas.getBoundingClientRect();
        const found = this.pick(event.clientX - box.left, event.clientY - box.top);
        if (!found) return;
        this.target = found.at;
        this.zoomBy(0.6);
      });
    }
  }

  for (const root of document.querySelectorAll("[data-view3d]")) {
    try {
      new View(root);
    } catch (error) {
      const message = root.querySelector(".view3d-message");
      message.textContent =
        "This browser gives no WebGL 2, so the view can't be turned here; the picture shows the same points.";
      message.hidden = false;
      root.dataset.reason = String(error && error.message);
    }
  }
})();
