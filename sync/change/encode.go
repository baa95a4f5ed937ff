package change

import (
	"math"
	"slices"
)

// Encode writes the change as Automerge does and fills Bytes and Hash. It
// numbers the operations and sorts dependencies and predecessors, and refuses,
// with an *Error, what Decode would refuse, sizes apart.
func Encode(c *Change) error {
	for i := range c.Ops {
		op := &c.Ops[i]
		op.ID = OpID{c.StartOp + uint64(i), c.Actor}
		if !slices.IsSortedFunc(op.Pred, OpID.Compare) {
			op.Pred = slices.Clone(op.Pred)
			slices.SortFunc(op.Pred, OpID.Compare)
		}
	}
	if !slices.IsSortedFunc(c.Deps, Hash.Compare) {
		c.Deps = slices.Clone(c.Deps)
		slices.SortFunc(c.Deps, Hash.Compare)
	}
	if err := c.check(); err != nil {
		return err
	}
	others := c.others()
	for _, a := range others {
		if len(a) == 0 || len(a) > MaxActor {
			return refuse(CodeActor, "actor id empty or too long")
		}
	}
	b := appendUleb(nil, uint64(len(c.Deps)))
	for _, d := range c.Deps {
		b = append(b, d[:]...)
	}
	b = appendPrefixed(b, string(c.Actor))
	b = appendUleb(b, c.Seq)
	b = appendUleb(b, c.StartOp)
	b = appendLeb(b, c.Time)
	b = appendPrefixed(b, c.Message)
	b = appendUleb(b, uint64(len(others)))
	for _, a := range others {
		b = appendPrefixed(b, string(a))
	}
	b = appendColumns(b, c.columns(others))
	b = append(b, c.Extra...)
	c.Bytes, _, c.Hash = wrap(b)
	return nil
}

func appendPrefixed(b []byte, s string) []byte {
	return append(appendUleb(b, uint64(len(s))), s...)
}

func appendColumns(b []byte, cols columns) []byte {
	count := 0
	for _, col := range cols {
		if len(col) > 0 {
			count++
		}
	}
	b = appendUleb(b, uint64(count))
	for i, col := range cols {
		if len(col) > 0 {
			b = appendUleb(b, columnOrder[i])
			b = appendUleb(b, uint64(len(col)))
		}
	}
	for _, col := range cols {
		b = append(b, col...)
	}
	return b
}

// others gives the actors that the operations name besides the author, sorted.
func (c *Change) others() []Actor {
	var out []Actor
	last := c.Actor
	add := func(a Actor) {
		if a == last || a == "" || a == c.Actor {
			return
		}
		last = a
		if i, found := slices.BinarySearch(out, a); !found {
			out = slices.Insert(out, i, a)
		}
	}
	for i := range c.Ops {
		op := &c.Ops[i]
		add(op.Obj.Actor)
		add(op.Elem.Actor)
		for _, p := range op.Pred {
			add(p.Actor)
		}
	}
	return out
}

// cell is one value of a run-length column.
type cell struct {
	null bool
	num  uint64
	str  string
}

func (c *Change) columns(others []Actor) columns {
	n := len(c.Ops)
	if n == 0 {
		return columns{}
	}
	index := func(id OpID) cell {
		if id.IsZero() {
			return cell{null: true}
		}
		if id.Actor == c.Actor {
			return cell{}
		}
		i, _ := slices.BinarySearch(others, id.Actor)
		return cell{num: uint64(i) + 1}
	}
	column := func() []cell { return make([]cell, n) }
	objActor, objCtr := column(), column()
	keyActor, keyCtr, keyStr := column(), column(), column()
	action, meta, predCount, markName := column(), column(), column(), column()
	insert, expand := make([]bool, n), make([]bool, n)
	var predActor, predCtr []cell
	var raw []byte
	for i := range c.Ops {
		op := &c.Ops[i]
		objActor[i] = index(op.Obj)
		objCtr[i] = cell{null: op.Obj.IsZero(), num: op.Obj.Counter}
		keyActor[i], keyCtr[i] = cell{null: true}, cell{null: true}
		keyStr[i] = cell{null: op.IsElem, str: op.Key}
		if op.IsElem {
			keyActor[i], keyCtr[i] = index(op.Elem), cell{num: op.Elem.Counter}
			keyStr[i].str = ""
		}
		insert[i] = op.Insert
		action[i].num = uint64(op.Action)
		start := len(raw)
		var typ uint8
		raw, typ = appendValue(raw, op.Value)
		meta[i].num = uint64(len(raw)-start)<<4 | uint64(typ)
		predCount[i].num = uint64(len(op.Pred))
		for _, p := range op.Pred {
			predActor = append(predActor, index(p))
			predCtr = append(predCtr, cell{num: p.Counter})
		}
		expand[i] = op.Expand
		markName[i] = cell{null: !op.MarkNamed, str: op.MarkName}
	}
	var expands []byte
	if slices.Contains(expand, true) { // an absent column reads as all false
		expands = encodeFlags(expand)
	}
	return columns{
		encodeRuns(objActor, unsigned), encodeRuns(objCtr, unsigned),
		encodeRuns(keyActor, unsigned), encodeRuns(differences(keyCtr), signed), encodeRuns(keyStr, text),
		encodeFlags(insert), encodeRuns(action, unsigned),
		encodeRuns(meta, unsigned), raw,
		encodeRuns(predCount, unsigned), encodeRuns(predActor, unsigned), encodeRuns(differences(predCtr), signed),
		expands, encodeRuns(markName, text),
	}
}

func appendValue(b []byte, v Value) ([]byte, uint8) {
	switch v.Kind {
	case KindUint:
		b = appendUleb(b, v.Uint)
	case KindInt, KindCounter, KindTimestamp:
		b = appendLeb(b, v.Int)
	case KindFloat:
		b = appendLittleEndian(b, math.Float64bits(v.Float))
	case KindString:
		b = append(b, v.Str...)
	case KindBytes:
		b = append(b, v.Bytes...)
	case KindUnknown:
		return append(b, v.Bytes...), v.Code
	}
	return b, uint8(v.Kind)
}

// differences replaces each number by its distance from the one before.
func differences(cells []cell) []cell {
	last := uint64(0)
	for i := range cells {
		if !cells[i].null {
			cells[i].num, last = cells[i].num-last, cells[i].num
		}
	}
	return cells
}

// encodeRuns writes maximal runs; a column of nulls only is absent.
func encodeRuns(cells []cell, typ cellType) []byte {
	var b []byte
	put := func(c cell) {
		switch typ {
		case unsigned:
			b = appendUleb(b, c.num)
		case signed:
			b = appendLeb(b, int64(c.num))
		case text:
			b = appendPrefixed(b, c.str)
		}
	}
	for i := 0; i < len(cells); {
		j := i + 1
		for j < len(cells) && cells[j] == cells[i] {
			j++
		}
		switch {
		case cells[i].null:
			if j-i == len(cells) {
				return nil
			}
			b = appendUleb(append(b, 0), uint64(j-i))
		case j-i > 1:
			b = appendLeb(b, int64(j-i))
			put(cells[i])
		default:
			for j < len(cells) && !cells[j].null && (j+1 == len(cells) || cells[j+1] != cells[j]) {
				j++
			}
			b = appendLeb(b, int64(i-j))
			for _, c := range cells[i:j] {
				put(c)
			}
		}
		i = j
	}
	return b
}

// encodeFlags writes counts of falses and trues in turn.
func encodeFlags(on []bool) []byte {
	var b []byte
	last, run := false, uint64(0)
	for _, v := range on {
		if v != last {
			b = appendUleb(b, run)
			last, run = v, 0
		}
		run++
	}
	return appendUleb(b, run)
}
