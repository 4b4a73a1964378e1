//! Order of elimination: minimum degree on the quotient graph, which keeps trees with a little mesh free of fill-in.

/// Adjacency of the nodes of a symmetric matrix, without the diagonal; neighbours ascending, each once.
pub(crate) struct Graph {
    /// Where the neighbours of each node start; one more entry than nodes.
    pub(crate) starts: Vec<usize>,
    /// Neighbours, node after node.
    pub(crate) neighbours: Vec<u32>,
}

impl Graph {
    /// From pairs of different nodes below `nodes`; a pair may come more than once and either way round.
    pub(crate) fn new(nodes: usize, pairs: impl Iterator<Item = (u32, u32)>) -> Self {
        let mut both: Vec<(u32, u32)> = pairs.flat_map(|(a, b)| [(a, b), (b, a)]).collect();
        both.sort_unstable();
        both.dedup();
        let mut starts = vec![0; nodes + 1];
        for &(a, _) in &both {
            starts[a as usize + 1] += 1;
        }
        for node in 0..nodes {
            starts[node + 1] += starts[node];
        }
        Self { starts, neighbours: both.into_iter().map(|(_, b)| b).collect() }
    }

    /// Number of nodes.
    pub(crate) fn nodes(&self) -> usize {
        self.starts.len() - 1
    }

    /// Neighbours of a node.
    pub(crate) fn of(&self, node: usize) -> &[u32] {
        &self.neighbours[self.starts[node]..self.starts[node + 1]]
    }
}

const NONE: u32 = u32::MAX;

/// Nodes by their current degree, as doubly linked lists: taking the least and moving one are both constant time.
struct Queue {
    heads: Vec<u32>,
    next: Vec<u32>,
    before: Vec<u32>,
    least: usize,
}

impl Queue {
    fn new(nodes: usize) -> Self {
        Self {
            heads: vec![NONE; nodes.max(1)],
            next: vec![NONE; nodes],
            before: vec![NONE; nodes],
            least: 0,
        }
    }

    fn insert(&mut self, node: u32, degree: usize) {
        let degree = degree.min(self.heads.len() - 1);
        let head = self.heads[degree];
        self.next[node as usize] = head;
        self.before[node as usize] = NONE;
        if head != NONE {
            self.before[head as usize] = node;
        }
        self.heads[degree] = node;
        self.least = self.least.min(degree);
    }

    fn remove(&mut self, node: u32, degree: usize) {
        let degree = degree.min(self.heads.len() - 1);
        let (next, before) = (self.next[node as usize], self.before[node as usize]);
        if next != NONE {
            self.before[next as usize] = before;
        }
        if before == NONE {
            self.heads[degree] = next;
        } else {
            self.next[before as usize] = next;
        }
    }

    fn least(&mut self) -> Option<u32> {
        while self.least < self.heads.len() {
            let head = self.heads[self.least];
            if head != NONE {
                return Some(head);
            }
            self.least += 1;
        }
        None
    }
}

/// The graph as elimination goes on. An eliminated node stands for the clique of its neighbours ("element").
struct Quotient {
    /// Neighbours not yet eliminated and not yet covered by an element.
    plain: Vec<Vec<u32>>,
    /// Elements that a node belongs to.
    elements: Vec<Vec<u32>>,
    /// Members of an element; empty for what is none or was absorbed.
    members: Vec<Vec<u32>>,
    /// Bound on the degree of a node.
    degrees: Vec<usize>,
    /// Last step that touched a node, to count each once.
    seen: Vec<u32>,
    /// Members of an element outside the pivot's, valid when `stamped` is the step.
    outside: Vec<usize>,
    stamped: Vec<u32>,
}

impl Quotient {
    fn new(graph: &Graph) -> Self {
        let nodes = graph.nodes();
        Self {
            plain: (0..nodes).map(|node| graph.of(node).to_vec()).collect(),
            elements: vec![Vec::new(); nodes],
            members: vec![Vec::new(); nodes],
            degrees: (0..nodes).map(|node| graph.of(node).len()).collect(),
            seen: vec![NONE; nodes],
            outside: vec![0; nodes],
            stamped: vec![NONE; nodes],
        }
    }

    /// Makes `pivot` an element: its members are all nodes it was joined to, directly or through elements.
    fn eliminate(&mut self, pivot: u32, step: u32) -> Vec<u32> {
        let mut members = Vec::new();
        self.seen[pivot as usize] = step;
        let plain = std::mem::take(&mut self.plain[pivot as usize]);
        let elements = std::mem::take(&mut self.elements[pivot as usize]);
        for node in plain {
            if self.seen[node as usize] != step {
                self.seen[node as usize] = step;
                members.push(node);
            }
        }
        for element in elements {
            for node in std::mem::take(&mut self.members[element as usize]) {
                if self.seen[node as usize] != step {
                    self.seen[node as usize] = step;
                    members.push(node);
                }
            }
        }
        members
    }

    /// For every element that touches the pivot's: how many of its members lie outside.
    fn count_outside(&mut self, members: &[u32], step: u32) {
        for &node in members {
            for &element in &self.elements[node as usize] {
                let at = element as usize;
                if self.members[at].is_empty() {
                    continue;
                }
                if self.stamped[at] != step {
                    self.stamped[at] = step;
                    self.outside[at] = self.members[at].len();
                }
                self.outside[at] -= 1;
            }
        }
    }

    /// Drops what the pivot's element covers from a node's lists and bounds its degree afresh.
    fn update(&mut self, node: u32, pivot: u32, clique: usize, step: u32) {
        let at = node as usize;
        let (seen, members, outside) = (&self.seen, &self.members, &self.outside);
        self.plain[at].retain(|&other| seen[other as usize] != step);
        self.elements[at].retain(|&element| {
            let element = element as usize;
            !members[element].is_empty() && outside[element] > 0
        });
        let around: usize =
            self.elements[at].iter().map(|&element| self.outside[element as usize]).sum();
        self.elements[at].push(pivot);
        self.degrees[at] = self.plain[at].len() + around + clique - 1;
    }
}

/// The nodes in the order in which to eliminate them. Ties are taken in an order that the graph alone decides.
pub(crate) fn minimum_degree(graph: &Graph) -> Vec<u32> {
    let nodes = graph.nodes();
    let mut quotient = Quotient::new(graph);
    let mut queue = Queue::new(nodes);
    for node in (0..nodes).rev() {
        queue.insert(node as u32, quotient.degrees[node]);
    }
    let mut order = Vec::with_capacity(nodes);
    while let Some(pivot) = queue.least() {
        let step = order.len() as u32;
        order.push(pivot);
        queue.remove(pivot, quotient.degrees[pivot as usize]);
        let members = quotient.eliminate(pivot, step);
        quotient.count_outside(&members, step);
        for &node in &members {
            queue.remove(node, quotient.degrees[node as usize]);
            quotient.update(node, pivot, members.len(), step);
            queue.insert(node, quotient.degrees[node as usize]);
        }
        quotient.members[pivot as usize] = members;
    }
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_node_is_eliminated_once() {
        let graph = Graph::new(6, [(0, 1), (1, 2), (2, 0), (2, 3), (4, 5)].into_iter());
        let mut order = minimum_degree(&graph);
        order.sort_unstable();
        assert_eq!(order, [0, 1, 2, 3, 4, 5]);
    }

    #[test]
    fn a_star_gives_up_its_rays_before_its_hub() {
        let graph = Graph::new(9, (1..9).map(|ray| (0, ray)));
        let order = minimum_degree(&graph);
        let hub = order.iter().position(|&node| node == 0).expect("the hub is a node");
        assert!(hub >= 7, "{order:?}");
    }
}
