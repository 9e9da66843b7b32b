//! Huffman codes of a JPEG: walking over coded blocks without decoding them, and writing codes anew.
//!
//! Source: ITU-T T.81, annex C (codes from counts), F.2.2 (blocks: a code for the mean's change, then run/size codes).

/// Bits looked up at once; longer codes take the slow way.
const FAST: u32 = 10;

/// Bits looked up at once when several codes may be passed over together.
const WIDE: u32 = 12;

/// What a code stands for, with its value bits.
#[derive(Debug, Clone, Copy, Default)]
struct Entry {
    /// Code and value bits together; 0: no such code.
    total: u8,
    /// Code bits.
    code: u8,
    /// Coefficients to go on by; [`END`] ends the block.
    step: u8,
    /// Value bits.
    size: u8,
}

/// Several codes together.
#[derive(Debug, Clone, Copy, Default)]
struct Run {
    /// Bits; 0: not even one fits.
    total: u8,
    /// Coefficients to go on by; [`END`] and more when the last ends the block.
    step: u8,
}

const END: u8 = 128;

/// One Huffman table, for reading and writing.
#[derive(Debug, Clone)]
pub(super) struct Table {
    counts: [u8; 16],
    symbols: Vec<u8>,
    fast: Vec<Entry>,
    /// As `fast`, for as many whole codes with their values as fit, up to a block's end.
    wide: Vec<Run>,
    /// By length: codes below this (16 bits, left-aligned) are of this length or shorter.
    above: [u32; 17],
    /// By length: index of the first symbol less its code.
    offset: [i32; 17],
}

impl Table {
    /// From a DHT segment's counts of codes by length 1–16 and its symbols in order. `None` when the counts do not
    /// make a code.
    pub fn new(counts: [u8; 16], symbols: &[u8]) -> Option<Table> {
        let total: usize = counts.iter().map(|n| usize::from(*n)).sum();
        let symbols = symbols.get(..total)?.to_vec();
        let (mut above, mut offset) = ([0; 17], [0; 17]);
        let (mut code, mut index) = (0u32, 0i32);
        let mut fast = vec![Entry::default(); 1 << FAST];
        for length in 1..=16u32 {
            code <<= 1;
            let n = counts[length as usize - 1];
            offset[length as usize] = index - code as i32;
            for k in 0..u32::from(n) {
                if length <= FAST {
                    let entry = Table::entry(*symbols.get(index as usize)?, length as u8);
                    let first = ((code + k) << (FAST - length)) as usize;
                    fast.get_mut(first..first + (1 << (FAST - length)))?
                        .fill(entry);
                }
                index += 1;
            }
            code += u32::from(n);
            if code > 1 << length {
                return None;
            }
            above[length as usize] = code << (16 - length);
        }
        Some(Table {
            counts,
            symbols,
            fast,
            wide: Vec::new(),
            above,
            offset,
        })
    }

    /// Makes the table ready for passing over the coefficients behind the mean.
    pub fn widen(mut self) -> Table {
        let run = |bits: u64| {
            let mut run = Run::default();
            loop {
                let entry = self.fast[(bits << run.total >> (64 - FAST)) as usize];
                let total = run.total + entry.total;
                if entry.total == 0
                    || u32::from(total) > WIDE
                    || run.step + (entry.step & !END) > 63
                {
                    return run;
                }
                run = Run {
                    total,
                    step: run.step + entry.step,
                };
                if entry.step == END {
                    return run;
                }
            }
        };
        self.wide = (0..1u64 << WIDE)
            .map(|top| run(top << (64 - WIDE)))
            .collect();
        self
    }

    fn entry(symbol: u8, code: u8) -> Entry {
        let (run, size) = (symbol >> 4, symbol & 15);
        let step = match (run, size) {
            (15, 0) => 16,
            (_, 0) => END,
            _ => run + 1,
        };
        Entry {
            total: code + size,
            code,
            step,
            size,
        }
    }

    /// The entry for the code at the top of `bits`.
    #[inline]
    fn read(&self, bits: u64) -> Entry {
        let entry = self.fast[(bits >> (64 - FAST)) as usize];
        if entry.total != 0 {
            entry
        } else {
            self.read_long(bits)
        }
    }

    #[cold]
    fn read_long(&self, bits: u64) -> Entry {
        let top = (bits >> 48) as u32;
        for length in FAST + 1..=16 {
            if top < self.above[length as usize] {
                let index = (top >> (16 - length)) as i32 + self.offset[length as usize];
                let symbol = usize::try_from(index)
                    .ok()
                    .and_then(|i| self.symbols.get(i));
                return symbol.map_or(Entry::default(), |s| Table::entry(*s, length as u8));
            }
        }
        Entry::default()
    }

    /// Code and length of a symbol.
    fn code_of(&self, symbol: u8) -> Option<(u32, u32)> {
        let index = self.symbols.iter().position(|s| *s == symbol)?;
        let (mut code, mut before) = (0u32, 0usize);
        for length in 1..=16u32 {
            code <<= 1;
            let n = usize::from(self.counts[length as usize - 1]);
            if index < before + n {
                return Some((code + (index - before) as u32, length));
            }
            before += n;
            code += n as u32;
        }
        None
    }

    /// The same table with one more symbol: a new longest code, so that the others stay as they are. `None` when
    /// there is no room (T.81 keeps the code of all ones free; so does this).
    fn with(&self, symbol: u8) -> Option<Table> {
        let longest = self.counts.iter().rposition(|n| *n > 0)? + 1;
        let mut next: u32 = 0;
        for n in &self.counts[..longest] {
            next = (next << 1) + u32::from(*n);
        }
        for length in longest..=16 {
            if next + 1 < 1 << length {
                let (mut counts, mut symbols) = (self.counts, self.symbols.clone());
                counts[length - 1] = counts[length - 1].checked_add(1)?;
                symbols.push(symbol);
                return Table::new(counts, &symbols);
            }
            next <<= 1;
        }
        None
    }

    /// The payload of a DHT segment that sets table `place` of the means (class 0) to this one.
    pub fn segment(&self, place: u8) -> Vec<u8> {
        let mut out = vec![place];
        out.extend(self.counts);
        out.extend(&self.symbols);
        out
    }
}

/// Coded data with its byte stuffing undone and its restart marks taken out, and ones behind, where no code can be read.
#[derive(Debug)]
pub(super) struct Bits {
    bytes: Vec<u8>,
    /// How many bits the file has.
    pub len: usize,
    /// Bits at which a restart mark stood.
    pub marks: Vec<usize>,
}

/// Ones kept behind the data: more than one look ahead.
const TAIL: usize = 16;

impl Bits {
    /// From a run of coded bytes, in which each FF is followed by 00, a restart mark or fill bytes before one.
    pub fn new(coded: &[u8]) -> Bits {
        let mut bytes = Vec::with_capacity(coded.len() + TAIL);
        let mut marks = Vec::new();
        let mut rest = coded;
        while !rest.is_empty() {
            let free = |chunk: &&[u8]| !chunk.contains(&0xFF);
            let plain = rest.chunks(32).take_while(free).map(<[u8]>::len).sum();
            bytes.extend_from_slice(&rest[..plain]);
            rest = &rest[plain..];
            let Some(at) = rest.iter().position(|b| *b == 0xFF) else {
                continue;
            };
            bytes.extend_from_slice(&rest[..at]);
            match rest.get(at + 1) {
                Some(0) => bytes.push(0xFF),
                Some(0xD0..=0xD7) => marks.push(bytes.len() * 8),
                Some(0xFF) => {
                    rest = &rest[at + 1..];
                    continue;
                }
                _ => {}
            }
            rest = rest.get(at + 2..).unwrap_or_default();
        }
        let len = bytes.len() * 8;
        bytes.extend([0xFF; TAIL]);
        Bits { bytes, len, marks }
    }

    /// The bits from `at` on, left-aligned, at least 57 of them.
    #[inline]
    fn peek(&self, at: usize) -> Option<u64> {
        let word = self.bytes.get(at >> 3..)?.first_chunk()?;
        Some(u64::from_be_bytes(*word) << (at & 7))
    }
}

/// One block of an MCU: which component's mean it changes, and its tables.
#[derive(Debug, Clone, Copy)]
pub(super) struct Unit {
    pub component: usize,
    pub means: usize,
    pub rest: usize,
}

/// Where an MCU begins, and each component's mean before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Spot {
    pub bit: usize,
    pub means: [i32; 4],
}

/// Reads over the blocks of one MCU. `None`: no code, or a block with more than 64 coefficients.
#[inline]
pub(super) fn skip_mcu(
    bits: &Bits,
    means: &[Option<Table>; 4],
    rest: &[Option<Table>; 4],
    units: &[Unit],
    spot: &mut Spot,
) -> Option<()> {
    for unit in units {
        let (change, size) = read_mean(bits, means[unit.means & 3].as_ref()?, spot.bit)?;
        spot.means[unit.component & 3] = spot.means[unit.component & 3].wrapping_add(change);
        spot.bit += size;
        spot.bit = skip_rest(bits, rest[unit.rest & 3].as_ref()?, spot.bit)?;
    }
    (spot.bit <= bits.len).then_some(())
}

/// The change of mean coded at `at`, and how many bits it takes.
#[inline]
fn read_mean(bits: &Bits, table: &Table, at: usize) -> Option<(i32, usize)> {
    let word = bits.peek(at)?;
    let entry = table.read(word);
    if entry.total == 0 {
        return None;
    }
    if entry.size == 0 {
        return Some((0, usize::from(entry.total)));
    }
    // T.81 F.2.2.1, EXTEND: values whose top bit is 0 are negative.
    let value = ((word << entry.code) >> (64 - u32::from(entry.size))) as i32;
    let negative = value < 1 << (entry.size - 1);
    Some((
        if negative {
            value - (1 << entry.size) + 1
        } else {
            value
        },
        usize::from(entry.total),
    ))
}

/// Where the block ends whose 63 other coefficients begin at `at`.
#[inline]
fn skip_rest(bits: &Bits, table: &Table, mut at: usize) -> Option<usize> {
    let mut coefficient = 1u8;
    while coefficient < 64 {
        let word = bits.peek(at)?;
        let run = table.wide[(word >> (64 - WIDE)) as usize];
        let next = coefficient + run.step;
        // Codes behind the 64th coefficient are not this block's: then one by one.
        if run.total != 0 && (next <= 64 || (END..END + 64).contains(&next)) {
            at += usize::from(run.total);
            coefficient = next;
            continue;
        }
        let entry = table.read(word);
        if entry.total == 0 {
            return None;
        }
        at += usize::from(entry.total);
        coefficient += entry.step;
    }
    (coefficient == 64 || coefficient >= END).then_some(at)
}

/// Coded data being written, with byte stuffing.
#[derive(Debug)]
pub(super) struct Writer {
    pub out: Vec<u8>,
    held: u64,
    count: u32,
}

impl Writer {
    /// Goes on behind `out`, at a whole byte.
    pub fn new(out: Vec<u8>) -> Writer {
        Writer {
            out,
            held: 0,
            count: 0,
        }
    }

    /// Writes the lowest `count` bits of `value`, at most 48.
    #[inline]
    fn push(&mut self, value: u64, count: u32) {
        self.held = (self.held << count) | value;
        self.count += count;
        let whole = self.count / 8;
        self.count %= 8;
        let ready = self.held >> self.count;
        let bytes = ready.to_be_bytes();
        let bytes = &bytes[8 - whole as usize..];
        if bytes.contains(&0xFF) {
            for byte in bytes {
                self.out.push(*byte);
                if *byte == 0xFF {
                    self.out.push(0);
                }
            }
        } else {
            self.out.extend_from_slice(bytes);
        }
        self.held &= (1 << self.count) - 1;
    }

    /// Copies the bits from `from` up to `to`.
    pub fn copy(&mut self, bits: &Bits, mut from: usize, to: usize) -> Option<()> {
        while from < to {
            let count = (to - from).min(48) as u32;
            self.push(bits.peek(from)? >> (64 - count), count);
            from += count as usize;
        }
        Some(())
    }

    /// Writes the MCU at `from` where a reader believes the means to be `believed`: each component's first change is
    /// counted anew. Tables that lack the code for a change get one more, noted in `means`. Gives where the MCU ends;
    /// `None` when it can't be done.
    pub fn joint(
        &mut self,
        bits: &Bits,
        means: &mut [Option<Table>; 4],
        rest: &[Option<Table>; 4],
        units: &[Unit],
        from: &Spot,
        believed: &[i32; 4],
    ) -> Option<usize> {
        let mut at = from.bit;
        let mut first = [true; 4];
        for unit in units {
            let (c, slot) = (unit.component, means.get_mut(unit.means)?);
            let (change, size) = read_mean(bits, slot.as_ref()?, at)?;
            let end = skip_rest(bits, rest.get(unit.rest)?.as_ref()?, at + size)?;
            if std::mem::take(first.get_mut(c)?) {
                let value = change
                    .checked_add(from.means[c])?
                    .checked_sub(believed[c])?;
                let size = 32 - value.unsigned_abs().leading_zeros();
                if size > 15 {
                    return None;
                }
                if slot.as_ref()?.code_of(size as u8).is_none() {
                    *slot = Some(slot.as_ref()?.with(size as u8)?);
                }
                let (code, length) = slot.as_ref()?.code_of(size as u8)?;
                self.push(u64::from(code), length);
                let low = if value < 0 { value - 1 } else { value };
                self.push(low as u64 & ((1 << size) - 1), size);
            } else {
                self.copy(bits, at, at + size)?;
            }
            self.copy(bits, at + size, end)?;
            at = end;
        }
        Some(at)
    }

    /// Fills the last byte with ones and gives the bytes.
    pub fn finish(mut self) -> Vec<u8> {
        if self.count > 0 {
            self.push((1 << (8 - self.count)) - 1, 8 - self.count);
        }
        self.out
    }
}
