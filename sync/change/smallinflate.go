package change

// smallInflate is inflate for phones: it takes and refuses exactly what
// compress/flate does, which would bring fmt and reflect into every phone's
// WebAssembly. The tests and a fuzz target compare the two.
//
// Codes are read bit by bit against the counts of each length, as a canonical
// code allows (RFC 1951 section 3.2.2): a plan is inflated once per start.
func smallInflate(data []byte, limit int) ([]byte, *Error) {
	d := &inflater{in: data, limit: limit, out: make([]byte, 0, min(4*len(data), limit))}
	for last := uint32(0); last == 0 && !d.bad; {
		last = d.bits(1)
		switch d.bits(2) {
		case 0:
			d.stored()
		case 1:
			lengths := [288]uint8{}
			for i := range lengths {
				switch {
				case i < 144:
					lengths[i] = 8
				case i < 256:
					lengths[i] = 9
				case i < 280:
					lengths[i] = 7
				default:
					lengths[i] = 8
				}
			}
			var distances [30]uint8
			for i := range distances {
				distances[i] = 5
			}
			var lit, dist prefixCode
			lit.make(lengths[:])
			dist.make(distances[:]) // two of its 32 codes are missing, and refused when they are met
			d.codes(&lit, &dist)
		case 2:
			d.dynamic()
		default:
			d.bad = true
		}
	}
	switch {
	case d.over:
		return nil, errInflated
	case d.bad:
		return nil, errInflate
	case d.at != len(data):
		return nil, errAfterInflate
	}
	return d.out, nil
}

type inflater struct {
	in    []byte
	at    int
	hold  uint32 // bits taken from in and not yet used, the next one lowest
	held  uint
	out   []byte
	limit int
	bad   bool // broken, too short, or over
	over  bool // gives more than limit
}

// bits takes up to 16 bits; zeros once the stream is found to be bad.
func (d *inflater) bits(n uint) uint32 {
	for d.held < n {
		if d.at == len(d.in) {
			d.bad = true
		}
		if d.bad {
			return 0
		}
		d.hold |= uint32(d.in[d.at]) << d.held
		d.at++
		d.held += 8
	}
	v := d.hold & (1<<n - 1)
	d.hold >>= n
	d.held -= n
	return v
}

// put appends bytes, unless there are more than there may be.
func (d *inflater) put(b ...byte) {
	if len(d.out)+len(b) > d.limit {
		d.bad, d.over = true, true
		return
	}
	d.out = append(d.out, b...)
}

func (d *inflater) stored() {
	d.hold, d.held = 0, 0 // the rest of the byte
	n, not := d.bits(16), d.bits(16)
	if d.bad || n != ^not&0xffff {
		d.bad = true
		return
	}
	b := d.in[d.at:]
	if int(n) < len(b) {
		b = b[:n]
	}
	d.at += len(b)
	d.put(b...)
	if len(b) < int(n) {
		d.bad = true
	}
}

// prefixCode is a canonical prefix code: how many codes each length has, and
// the symbols in order of their codes.
type prefixCode struct {
	count   [16]int
	symbols [288]uint16
}

// make builds the code from the length of each symbol's code, 0 = none. It
// reports whether no code is missing or too many; a code without symbols, or of
// one symbol with one bit, is let pass.
func (c *prefixCode) make(lengths []uint8) bool {
	*c = prefixCode{}
	for _, n := range lengths {
		c.count[n]++
	}
	c.count[0] = 0
	var next [16]int
	free := 1 // codes of the length that are not taken
	for n := 1; n < 16; n++ {
		next[n] = next[n-1] + c.count[n-1]
		if free = 2*free - c.count[n]; free < 0 {
			return false
		}
	}
	for symbol, n := range lengths {
		if n > 0 {
			c.symbols[next[n]] = uint16(symbol)
			next[n]++
		}
	}
	used := next[15]
	return free == 0 || used == 0 || used == 1 && c.count[1] == 1
}

// symbol reads one code; 0 and bad when there is none such.
func (d *inflater) symbol(c *prefixCode) int {
	code, first, index := 0, 0, 0
	for n := 1; n < 16 && !d.bad; n++ {
		code |= int(d.bits(1))
		if code-first < c.count[n] {
			if d.bad {
				return 0
			}
			return int(c.symbols[index+code-first])
		}
		index += c.count[n]
		first = (first + c.count[n]) << 1
		code <<= 1
	}
	d.bad = true
	return 0
}

// lengthOrder is the order in which a block gives the lengths of the code in
// which all other lengths are written.
var lengthOrder = [...]uint8{16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15}

func (d *inflater) dynamic() {
	literals, distances, n := int(d.bits(5))+257, int(d.bits(5))+1, int(d.bits(4))+4
	if literals > 286 || distances > 30 {
		d.bad = true
	}
	var lengths [286 + 30]uint8
	for _, at := range lengthOrder[:n] {
		lengths[at] = uint8(d.bits(3))
	}
	var lit, dist prefixCode
	if d.bad || !lit.make(lengths[:19]) {
		d.bad = true
		return
	}
	clear(lengths[:19])
	all := lengths[:literals+distances]
	for i := 0; i < len(all) && !d.bad; {
		symbol := d.symbol(&lit)
		if symbol < 16 {
			all[i] = uint8(symbol)
			i++
			continue
		}
		length, times := uint8(0), 0
		switch symbol {
		case 16:
			if i == 0 {
				d.bad = true
				return
			}
			length, times = all[i-1], 3+int(d.bits(2))
		case 17:
			times = 3 + int(d.bits(3))
		default:
			times = 11 + int(d.bits(7))
		}
		if i+times > len(all) {
			d.bad = true
			return
		}
		for range times {
			all[i] = length
			i++
		}
	}
	if d.bad || !lit.make(all[:literals]) || !dist.make(all[literals:]) {
		d.bad = true
		return
	}
	d.codes(&lit, &dist)
}

// codes expands a block of literals and repetitions up to its end.
func (d *inflater) codes(lit, dist *prefixCode) {
	for !d.bad {
		symbol := d.symbol(lit)
		switch {
		case d.bad || symbol == 256:
			return
		case symbol < 256:
			d.put(byte(symbol))
			continue
		case symbol > 285:
			d.bad = true
			return
		}
		length, back := 0, d.lengthOf(symbol-257)
		length = back
		symbol = d.symbol(dist)
		if back = symbol + 1; symbol > 3 {
			extra := uint(symbol-2) / 2
			back = (2|symbol&1)<<extra + 1 + int(d.bits(extra))
		}
		if d.bad || back > len(d.out) || back > 32<<10 {
			d.bad = true
			return
		}
		for ; length > 0 && !d.bad; length-- {
			d.put(d.out[len(d.out)-back])
		}
	}
}

// lengthOf is how many bytes a repetition has.
func (d *inflater) lengthOf(symbol int) int {
	switch {
	case symbol < 8:
		return symbol + 3
	case symbol == 28:
		return 258
	}
	extra := uint(symbol-4) / 4
	return (4|symbol&3)<<extra + 3 + int(d.bits(extra))
}
