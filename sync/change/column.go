package change

import "unicode/utf8"

// Column specifications: id<<4 | deflate<<3 | type.
const (
	colObjActor   = 0<<4 | 1
	colObjCounter = 0<<4 | 2
	colKeyActor   = 1<<4 | 1
	colKeyCounter = 1<<4 | 3
	colKeyString  = 1<<4 | 5
	colInsert     = 3<<4 | 4
	colAction     = 4<<4 | 2
	colValueMeta  = 5<<4 | 6
	colValueRaw   = 5<<4 | 7
	colPredCount  = 7<<4 | 0
	colPredActor  = 7<<4 | 1
	colPredCtr    = 7<<4 | 3
	colExpand     = 9<<4 | 4
	colMarkName   = 10<<4 | 5

	deflateBit = 1 << 3
)

// columnOrder is the order in which columns stand in a chunk.
var columnOrder = [...]uint64{
	colObjActor, colObjCounter, colKeyActor, colKeyCounter, colKeyString, colInsert, colAction,
	colValueMeta, colValueRaw, colPredCount, colPredActor, colPredCtr, colExpand, colMarkName,
}

// columns holds the bytes of each column, in columnOrder; nil = absent.
type columns [len(columnOrder)][]byte

func (c *columns) of(spec uint64) []byte {
	for i, s := range columnOrder {
		if s == spec {
			return c[i]
		}
	}
	return nil
}

// readColumns reads the column headers and takes the columns' bytes.
func readColumns(r *reader) (columns, *Error) {
	var cols columns
	count, err := r.uleb()
	if err != nil {
		return cols, err
	}
	if count > uint64(len(columnOrder)) {
		return cols, refuse(CodeColumn, "more columns than are known")
	}
	var lengths [len(columnOrder)]uint64
	at := 0
	for range count {
		spec, err := r.uleb()
		if err != nil {
			return cols, err
		}
		length, err := r.uleb()
		if err != nil {
			return cols, err
		}
		if spec&deflateBit != 0 {
			return cols, refuse(CodeColumn, "deflated column in a change")
		}
		for at < len(columnOrder) && columnOrder[at] != spec {
			at++
		}
		if at == len(columnOrder) {
			return cols, refuse(CodeColumn, "column unknown or out of order")
		}
		if length == 0 {
			return cols, refuse(CodeColumn, "empty column")
		}
		lengths[at] = length
		at++
	}
	for i, n := range lengths {
		if n == 0 {
			continue
		}
		if cols[i], err = r.take(n); err != nil {
			return cols, err
		}
	}
	return cols, nil
}

type cellType uint8

const (
	unsigned cellType = iota
	signed
	text
)

type runMode uint8

const (
	noRun runMode = iota
	repeated
	literal
	nulls
)

// cursor reads a run-length column cell by cell. It holds the column to the
// one form that encoders write: maximal runs, no empty runs, no repetition of
// one, absent when all cells are null.
type cursor struct {
	r     reader
	typ   cellType
	mode  runMode
	left  uint64 // cells left in this run
	owed  uint64 // cells that the column must still deliver, beyond this run
	all   uint64
	empty bool // absent column: every cell is null

	null bool // the current cell
	num  uint64
	str  string
}

func newCursor(b []byte, typ cellType, cells uint64) cursor {
	return cursor{r: reader{b}, typ: typ, owed: cells, all: cells, empty: len(b) == 0}
}

func (c *cursor) value() (num uint64, str string, err *Error) {
	switch c.typ {
	case unsigned:
		num, err = c.r.uleb()
	case signed:
		var v int64
		v, err = c.r.leb()
		num = uint64(v)
	case text:
		var b []byte
		if b, err = c.r.prefixed(); err == nil && !utf8.Valid(b) {
			err = refuse(CodeText, "key or name is not UTF-8")
		}
		str = string(b)
	}
	return num, str, err
}

// next moves to the next cell. Call it at most as often as there are cells.
func (c *cursor) next() *Error {
	if c.empty {
		c.null = true
		return nil
	}
	fresh := c.left == 0
	was := c.mode
	if fresh {
		if err := c.startRun(); err != nil {
			return err
		}
	}
	c.left--
	switch {
	case c.mode == nulls:
		c.null = true
		return nil
	case c.mode == repeated && !fresh:
		return nil
	}
	num, str, err := c.value()
	if err != nil {
		return err
	}
	// Two neighbours of equal value belong in one repetition.
	if !c.null && was != noRun && num == c.num && str == c.str {
		return refuse(CodeRun, "equal neighbours not joined in one run")
	}
	c.null, c.num, c.str = false, num, str
	return nil
}

func (c *cursor) startRun() *Error {
	if len(c.r.b) == 0 {
		return refuse(CodeCount, "column shorter than the operations")
	}
	count, err := c.r.leb()
	if err != nil {
		return err
	}
	was := c.mode
	switch {
	case count > 1:
		c.mode, c.left = repeated, uint64(count)
	case count == 1:
		return refuse(CodeRun, "repetition of one")
	case count < 0:
		if was == literal {
			return refuse(CodeRun, "two literal runs in a row")
		}
		c.mode, c.left = literal, -uint64(count)
	default:
		if c.left, err = c.r.uleb(); err != nil {
			return err
		}
		if was == nulls || c.left == 0 {
			return refuse(CodeRun, "null runs empty or in a row")
		}
		if was == noRun && c.left >= c.all {
			return refuse(CodeRun, "column of nulls only")
		}
		c.mode = nulls
	}
	if c.left > c.owed {
		return refuse(CodeCount, "column longer than the operations")
	}
	c.owed -= c.left
	return nil
}

// end checks that the column is used up.
func (c *cursor) end() *Error {
	if len(c.r.b) != 0 || c.left != 0 {
		return refuse(CodeCount, "column longer than the operations")
	}
	return nil
}

// deltas reads a column of differences as the numbers they add up to.
type deltas struct {
	cursor
	sum uint64
}

// maxCounter keeps operation counters in the 32 bits that Automerge gives them.
const maxCounter = 1<<32 - 1

func (d *deltas) next() *Error {
	if err := d.cursor.next(); err != nil || d.null {
		return err
	}
	delta := int64(d.num)
	if delta < -maxCounter || delta > maxCounter {
		return refuse(CodeNumber, "counter out of range")
	}
	sum := int64(d.sum) + delta
	if sum < 0 || sum > maxCounter {
		return refuse(CodeNumber, "counter out of range")
	}
	d.sum = uint64(sum)
	return nil
}

// flags reads a boolean column: counts of falses and trues in turn.
type flags struct {
	r     reader
	left  uint64
	owed  uint64
	on    bool
	begun bool
	empty bool
}

func newFlags(b []byte, cells uint64) flags {
	return flags{r: reader{b}, owed: cells, on: true, empty: len(b) == 0}
}

func (f *flags) next() (bool, *Error) {
	if f.empty {
		return false, nil
	}
	for f.left == 0 {
		if len(f.r.b) == 0 {
			return false, refuse(CodeCount, "column shorter than the operations")
		}
		count, err := f.r.uleb()
		if err != nil {
			return false, err
		}
		if count == 0 && f.begun {
			return false, refuse(CodeRun, "empty boolean run")
		}
		if count > f.owed {
			return false, refuse(CodeCount, "column longer than the operations")
		}
		f.owed -= count
		f.left, f.on, f.begun = count, !f.on, true
	}
	f.left--
	return f.on, nil
}

func (f *flags) end() *Error {
	if len(f.r.b) != 0 || f.left != 0 {
		return refuse(CodeCount, "column longer than the operations")
	}
	return nil
}

// countCells adds up the runs of the action column, the one that says how many
// operations there are.
func countCells(b []byte, limit int) (uint64, *Error) {
	r := reader{b}
	var total uint64
	for len(r.b) > 0 {
		run, err := r.leb()
		if err != nil {
			return 0, err
		}
		if run == 0 {
			return 0, refuse(CodeAction, "operation without action")
		}
		cells, values := uint64(run), 1
		if run < 0 {
			cells = -uint64(run)
		}
		if cells > uint64(limit)-total {
			return 0, refuse(CodeSize, "more operations than the limit")
		}
		total += cells
		if run < 0 {
			values = int(cells)
		}
		for range values {
			if _, err := r.uleb(); err != nil {
				return 0, err
			}
		}
	}
	return total, nil
}
